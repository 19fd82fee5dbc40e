"""2-AFC on a named attribute (ISO 5495): which of two samples has more of it?"""

from __future__ import annotations

from dataclasses import dataclass

from panel.marked import N_, T_
from panel.procedures import curves
from panel.procedures.base import ANSWERS, POSITIONS, Flags, Ints, KeyedTrial
from panel.procedures.pointing import Pointing


@dataclass(frozen=True)
class Attribute(Pointing):
    def taught(self, keyed: KeyedTrial, more: str) -> int:
        return ANSWERS.index(POSITIONS[keyed.slots.index(more)])

    def right(self, slots: Ints, answer: Ints, side: Ints, *, known: bool) -> Flags | None:
        """Only of a planted check: its second condition has more."""
        if not known:
            return None
        out: Flags = side[self.chosen(slots, answer)] == 1
        return out


PROCEDURE = Attribute(
    code="attribute",
    name=T_("2-AFC on a named attribute"),
    chance=1 / 2,
    samples=2,
    instruction=N_(
        "You will hear two samples and say which has more {attribute}. "
        "If you cannot tell, choose the one you would sooner bet on."
    ),
    question=T_(N_("Which sample has more {attribute}?")),
    answers=("one", "two"),
    answer_texts=(N_("Sample one has more"), N_("Sample two has more")),
    names=(N_("One"), N_("Two")),
    seconds=20,
    purpose="direction",
    curve=curves.twoafc,
    reported_as=T_("two-alternative forced choice on a named attribute (ISO 5495)"),
    curve_source=T_("forced choice of two: Φ(d′/√2)"),
    why=(
        "A directed question needs about {own} votes where ABX needs {abx} (d′ = 1): {times} times "
        "fewer. The attribute must be named beforehand, any loudness left over counts as much as "
        "the change, and “not heard” cannot be concluded from it."
    ),
    options=("attribute",),
    claimed=("Of a named attribute: “heard” {leaning}. “Not heard” never."),
    found=T_(
        "{side} was said to have more {attribute} in {votes} of {trials} blind comparisons, where "
        "a coin gives about {coin}"
    ),
    by_group=T_("By group, “{label}” was said to have more of it {counts}. {only}"),
    counted=T_("“{side}”: more {attribute}"),
    share_of=T_("share of votes that give the higher one more {attribute}"),
    share_of_take=T_("share of its votes that it had more {attribute} in"),
    toward=T_("said {side} has more {attribute}"),
    no_people=T_(
        "This kind of question does not tell: it counts votes, not people. ABX or triangle on the "
        "same recordings would tell."
    ),
    undecided=T_("Not enough yet: no agreed direction. {found}{share}."),
)
