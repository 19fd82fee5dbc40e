"""The short random codes by which the results know listeners."""

import secrets
from collections.abc import Collection

# No vowels, so no words; none of 0 O 1 l I; a letter first, so no spreadsheet reads a number.
_LETTERS = "bcdfghjkmnpqrstvwxyz"
_SIGNS = _LETTERS + "23456789"


def fresh_code(taken: Collection[str]) -> str:
    """A short random code for a listener, unlike the link and unlike those taken."""
    while True:
        code = secrets.choice(_LETTERS) + "".join(secrets.choice(_SIGNS) for _ in range(5))
        if code not in taken:
            return code
