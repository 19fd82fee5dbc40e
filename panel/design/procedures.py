"""The listening procedures: how a pair of takes is put to a listener, and what chance gives.

Samples are called by their position in words. The wording is our own; ABX and triangle are the
trade's names (triangle: ISO 4120; paired comparison: ISO 5495; both for the procedure only).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from panel.errors import BadInput

POSITIONS = ("one", "two", "three")


@dataclass(frozen=True)
class Procedure:
    """One procedure.

    `chance`: share right if nobody hears anything. `samples`: how many are played. `directed`:
    each vote points to one of two takes and there is no right answer. `twin`: two samples of a
    trial come from the same take. `curve`: key of `panel.analysis.thurstone.CURVES`.
    `seconds`: rough length of a trial with 5 s excerpts, for planning (common practice, no
    source).
    """

    code: str
    name: str
    chance: float
    samples: int
    directed: bool
    twin: bool
    curve: str
    instruction: str
    question: str
    answers: tuple[str, ...]
    answer_texts: tuple[str, ...]
    seconds: int

    def question_text(self, attribute: str | None = None) -> str:
        """The question of a trial; the attribute, where there is one, in the user's own words."""
        return self.question.replace("{attribute}", attribute or "of it")

    def instruction_text(self, attribute: str | None = None) -> str:
        """Two plain sentences for before the first trial."""
        return self.instruction.replace("{attribute}", attribute or "of it")


PROCEDURES: Mapping[str, Procedure] = {
    "abx": Procedure(
        code="abx",
        name="ABX",
        chance=1 / 2,
        samples=3,
        directed=False,
        twin=True,
        curve="abx",
        instruction=(
            "Samples one and two differ, and sample three repeats one of them. "
            "Play them as often as you like, then say which of the two it repeats."
        ),
        question="Which one is sample three the same as?",
        answers=("one", "two"),
        answer_texts=("Three is the same as one", "Three is the same as two"),
        seconds=30,
    ),
    "triangle": Procedure(
        code="triangle",
        name="Triangle",
        chance=1 / 3,
        samples=3,
        directed=False,
        twin=True,
        curve="triangle",
        instruction=(
            "Two of the three samples are the same, and one is different. "
            "Play them as often as you like, then say which is the different one."
        ),
        question="Which sample is different from the other two?",
        answers=("one", "two", "three"),
        answer_texts=("One is different", "Two is different", "Three is different"),
        seconds=30,
    ),
    "attribute": Procedure(
        code="attribute",
        name="2-AFC on a named attribute",
        chance=1 / 2,
        samples=2,
        directed=True,
        twin=False,
        curve="twoafc",
        instruction=(
            "You will hear two samples and say which has more {attribute}. "
            "If you cannot tell, choose the one you would sooner bet on."
        ),
        question="Which sample has more {attribute}?",
        answers=("one", "two"),
        answer_texts=("Sample one has more", "Sample two has more"),
        seconds=20,
    ),
    "preference": Procedure(
        code="preference",
        name="Paired preference",
        chance=1 / 2,
        samples=2,
        directed=True,
        twin=False,
        curve="twoafc",
        instruction=(
            "You will hear two samples and say which you would rather listen to. "
            "There is no right answer, and if you like both equally, choose either."
        ),
        question="Which sample would you rather listen to?",
        answers=("one", "two"),
        answer_texts=("I prefer sample one", "I prefer sample two"),
        seconds=20,
    ),
}


def procedure(code: str) -> Procedure:
    """The procedure of that code. Raises BadInput for any other."""
    try:
        return PROCEDURES[code]
    except KeyError:
        raise BadInput(
            f"“{code}” is no procedure of ours.", hint=f"Choose one of: {', '.join(PROCEDURES)}."
        ) from None
