"""Errors made for the person who meets them: what, which, what now."""


class PanelError(Exception):
    """Base of every error that is shown to a person.

    `message` is a plain sentence saying what is wrong; `hint` says what to do next.
    """

    status = 400

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message} {self.hint}".strip()


class BadInput(PanelError):
    """The file, form or request cannot be used as it is."""

    status = 400


class NotSignedIn(PanelError):
    """Nobody is signed in, or the session has ended."""

    status = 401


class NotAllowed(PanelError):
    """The person may not do this."""

    status = 403


class NotFound(PanelError):
    """There is no such thing, or it is not this person's."""

    status = 404


class Conflict(PanelError):
    """The thing exists in another state than the request assumes."""

    status = 409


class KeptOnly(Conflict):
    """A study from an earlier version, of which everything is kept and nothing goes on."""


class Gone(PanelError):
    """It was there and is no longer: a revoked link, a closed study."""

    status = 410


class TooLarge(PanelError):
    """The upload passes a limit."""

    status = 413
