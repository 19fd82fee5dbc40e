"""The procedures there are, by their codes. A new one is a file beside this and a line here."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import get_args

from panel.errors import BadInput
from panel.procedures import (
    abx,
    attribute,
    duo_trio,
    preference,
    reminder,
    same_different,
    tetrad,
    triangle,
)
from panel.procedures.base import Procedure, Purpose
from panel.prose import either, small

PROCEDURES: Mapping[str, Procedure] = {
    own.PROCEDURE.code: own.PROCEDURE
    for own in (abx, triangle, duo_trio, same_different, reminder, attribute, preference, tetrad)
}


MEASURE = (abx.PROCEDURE, attribute.PROCEDURE)
"""Whose prices the others are told by: one for bare audibility, one for a direction."""


FOR_RETAKES = tuple(kind for kind in PROCEDURES.values() if kind.twin)
"""Those of a retake control by itself: two samples of a trial come from one take."""

FOR_CHECKS = tuple(
    kind for kind in PROCEDURES.values() if kind.twin or (kind.directed and "heard" in kind.earns)
)
"""Those of a planted check: one answer is right, or points to what was planted."""


def choose(kinds: Iterable[Procedure]) -> str:
    """The hint to choose one of these."""
    return f"Choose {either(small(kind.name) for kind in kinds)}."


def procedure(code: str) -> Procedure:
    """The procedure of that code. Raises BadInput for any other."""
    try:
        return PROCEDURES[code]
    except KeyError:
        raise BadInput(
            f"“{code}” is no procedure of ours.", hint=f"Choose one of: {', '.join(PROCEDURES)}."
        ) from None


def in_order(
    codes: Collection[str], purposes: Sequence[Purpose] = get_args(Purpose)
) -> list[Procedure]:
    """The procedures of these codes by what they are for, in the order of `purposes` (those for
    bare audibility first), and as they are proposed."""
    return sorted(
        (PROCEDURES[code] for code in PROCEDURES if code in codes),
        key=lambda kind: (purposes.index(kind.purpose), kind.proposed),
    )
