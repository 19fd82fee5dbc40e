"""The listening procedures: how a pair of takes is put to a listener, and what chance gives.

Samples are called by their position in words. The wording is our own; ABX, triangle and duo-trio
are the trade's names (triangle: ISO 4120; duo-trio: ISO 10399; same–different: ASTM E2139; paired
comparison: ISO 5495; all for the procedure only).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from panel.errors import BadInput
from panel.marked import N_

POSITIONS = ("one", "two", "three")
ANSWERS = (*POSITIONS, "same", "different", "neither")
"""Every answer there is; votes and keys are kept as a place in this list, so it only ever grows."""


@dataclass(frozen=True)
class Procedure:
    """One procedure.

    `chance`: share right if nobody hears anything. `samples`: how many are played. `directed`:
    each vote points to one of two takes and there is no right answer. `twin`: two samples of a
    trial come from the same take. `curve`: key of `panel.procedures.curves.CURVES`.
    `seconds`: rough length of a trial with 5 s excerpts, for planning (common practice, no
    source). `names`: what the samples' buttons say, in the order of the slots.
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
    names: tuple[str, ...] = (N_("One"), N_("Two"), N_("Three"))

    @property
    def shows_absence(self) -> bool:
        """Whether “not heard” can follow: who hears a difference must answer right by it."""
        return self.code in ("abx", "triangle", "duo_trio")

    def question_text(self, attribute: str | None = None) -> str:
        """The question of a trial; the attribute, where there is one, in the user's own words."""
        return self.question.replace("{attribute}", attribute or "of it")

    def instruction_text(self, attribute: str | None = None) -> str:
        """Two plain sentences for before the first trial."""
        return self.instruction.replace("{attribute}", attribute or "of it")

    def said_by(self, say: Callable[[str], str]) -> Procedure:
        """The procedure with all that listeners read put by `say`, say into their language."""
        return replace(
            self,
            instruction=say(self.instruction),
            question=say(self.question),
            answer_texts=tuple(map(say, self.answer_texts)),
            names=tuple(map(say, self.names)),
        )

    def as_asked(self, contrast: Mapping[str, Any]) -> Procedure:
        """The procedure as a contrast of the plan has it: with or without “no preference”."""
        if self.code != "preference" or not contrast.get("ties"):
            return self
        return replace(
            self,
            instruction=N_(
                "You will hear two samples and say which you would rather listen to. "
                "There is no right answer, and if you like both equally, say so."
            ),
            answers=(*self.answers, "neither"),
            answer_texts=(*self.answer_texts, N_("Neither: I like both equally")),
        )


PROCEDURES: Mapping[str, Procedure] = {
    "abx": Procedure(
        code="abx",
        name="ABX",
        chance=1 / 2,
        samples=3,
        directed=False,
        twin=True,
        curve="abx",
        instruction=N_(
            "Samples one and two differ, and sample three repeats one of them. "
            "Play them as often as you like, then say which of the two it repeats."
        ),
        question=N_("Which one is sample three the same as?"),
        answers=("one", "two"),
        answer_texts=(N_("Three is the same as one"), N_("Three is the same as two")),
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
        instruction=N_(
            "Two of the three samples are the same, and one is different. "
            "Play them as often as you like, then say which is the different one."
        ),
        question=N_("Which sample is different from the other two?"),
        answers=("one", "two", "three"),
        answer_texts=(N_("One is different"), N_("Two is different"), N_("Three is different")),
        seconds=30,
    ),
    "duo_trio": Procedure(
        code="duo_trio",
        name="Duo-trio",
        chance=1 / 2,
        samples=3,
        directed=False,
        twin=True,
        curve="duotrio",
        instruction=N_(
            "Sample one is the reference, and one of the other two repeats it. "
            "Play them as often as you like, then say which of the two is the reference again."
        ),
        question=N_("Which sample is the same as the reference?"),
        answers=("two", "three"),
        answer_texts=(N_("Two is the reference again"), N_("Three is the reference again")),
        seconds=30,
        names=(N_("One, the reference"), N_("Two"), N_("Three")),
    ),
    "same_different": Procedure(
        code="same_different",
        name="Same–different",
        chance=1 / 2,
        samples=2,
        directed=False,
        twin=True,
        curve="same_different",
        instruction=N_(
            "You will hear two samples, which are the same or different, each as often as not. "
            "Play them as often as you like, then say which it is."
        ),
        question=N_("Are the two samples the same or different?"),
        answers=("same", "different"),
        answer_texts=(N_("They are the same"), N_("They are different")),
        seconds=20,
    ),
    "reminder": Procedure(
        code="reminder",
        name="2-AFC with a reminder",
        chance=1 / 2,
        samples=4,
        directed=False,
        twin=False,
        curve="twoafc",
        instruction=N_(
            "Kite and Lamp are two kinds of sound: listen to both until you know them. "
            "Of the fresh samples one and two, one is a Kite and the other a Lamp: say which."
        ),
        question=N_("Which of samples one and two is the Kite?"),
        answers=("one", "two"),
        answer_texts=(N_("One is the Kite, two the Lamp"), N_("Two is the Kite, one the Lamp")),
        seconds=30,
        names=(N_("One"), N_("Two"), N_("Kite"), N_("Lamp")),
    ),
    "attribute": Procedure(
        code="attribute",
        name="2-AFC on a named attribute",
        chance=1 / 2,
        samples=2,
        directed=True,
        twin=False,
        curve="twoafc",
        instruction=N_(
            "You will hear two samples and say which has more {attribute}. "
            "If you cannot tell, choose the one you would sooner bet on."
        ),
        question=N_("Which sample has more {attribute}?"),
        answers=("one", "two"),
        answer_texts=(N_("Sample one has more"), N_("Sample two has more")),
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
        instruction=N_(
            "You will hear two samples and say which you would rather listen to. "
            "There is no right answer, and if you like both equally, choose either."
        ),
        question=N_("Which sample would you rather listen to?"),
        answers=("one", "two"),
        answer_texts=(N_("I prefer sample one"), N_("I prefer sample two")),
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
