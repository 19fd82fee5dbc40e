"""Marks texts that are put into the listener's language later, where they are shown."""


def N_(text: str) -> str:  # noqa: N802 - the name that gettext's tools look for
    """`text` itself; marks it for the catalogues (see `panel.translation`)."""
    return text
