"""Marks texts that are put into the reader's language later, where they are shown."""

from typing import TypeVar

Texts = TypeVar("Texts")


def N_(text: str) -> str:  # noqa: N802 - the name that gettext's tools look for
    """`text` itself; marks it for the catalogues of the booth (see `panel.translation`)."""
    return text


def T_(texts: Texts) -> Texts:  # noqa: N802 - as above
    """A text, or a table of texts (not its keys), itself; marks it for the catalogues of verdict
    and report, where no `say(…)` holds it (see `panel.said`)."""
    return texts
