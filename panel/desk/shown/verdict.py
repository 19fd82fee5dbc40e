"""How far voting has come and what listeners said, as words beside the verdict."""

from dataclasses import dataclass

from panel.prose import capital, plural
from panel.stages.listen.reasons import NEITHER, RETAKE, Side, Told


@dataclass(frozen=True)
class ShownReasons:
    """Why one side was preferred: `ticked` are the words with how often each was, as a list."""

    heading: str
    answers: str
    ticked: str
    words: tuple[str, ...]


@dataclass(frozen=True)
class ShownTold:
    name: str
    sides: tuple[ShownReasons, ...]


def shown_reasons(told: Told) -> ShownTold:
    return ShownTold(told.name, tuple(_side(side) for side in told.sides))


def _heading(label: str) -> str:
    named = capital(label)
    return named if label in (NEITHER, RETAKE) else f"Preferred: {named}"


def _side(side: Side) -> ShownReasons:
    return ShownReasons(
        heading=_heading(side.label),
        answers=f"{plural(side.votes, 'answer')} with a reason",
        ticked=", ".join(f"{word} ({times})" for word, times in side.ticked),
        words=side.words,
    )
