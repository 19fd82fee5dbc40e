"""The contract of a listening procedure: how a pair of takes is put to a listener, what an answer
is worth, and what may follow from it.

Each procedure lies in a file of its own, owns everything about itself and stands in the
catalogue; elsewhere code asks the procedure. Samples are called by their position in words. The
wording is our own; ABX, triangle, duo-trio and tetrad are the trade's names, for the procedure
only.

Votes come as arrays: `slots` (votes, SLOTS) of take numbers, EMPTY where a slot has none;
`answer` (votes,) as places in ANSWERS, UNKNOWN for a word that is none of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from panel.errors import BadInput
from panel.marked import T_
from panel.procedures.curves import Curve

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Pair = tuple[str, str]
Randbelow = Callable[[int], int]
Asked = TypeVar("Asked", bound="Procedure")

POSITIONS = ("one", "two", "three", "four")
ANSWERS = ("one", "two", "three", "same", "different", "neither", "four")
"""Every answer there is; votes and keys are kept as a place in this list, so it only ever grows."""

SLOTS = 4  # the most samples that a trial plays
NUMBERS = ("none", "one", "two", "three", "four")
ORDINALS = ("first", "second", "third", "fourth")
EMPTY = UNKNOWN = -1
SLOT_OF = np.array([POSITIONS.index(a) if a in POSITIONS else EMPTY for a in ANSWERS])
"""(answers,): the slot that an answer names, EMPTY where it names none."""

Purpose = Literal["audibility", "direction", "liking"]


@dataclass(frozen=True)
class KeyedTrial:
    """Take ids by slot, and the answer that is right, as its place in ANSWERS; None where none is.

    A slot beyond the samples that are played only names a take.
    """

    slots: tuple[str, ...]
    right: int | None


@dataclass(frozen=True)
class Simulated:
    """Answers of simulated listeners, one shape for all. `y`: right, or, where each vote points to
    a take, for the second. `tied`: for neither; `differ`: two takes were played; None as in the
    votes themselves."""

    y: Flags
    tied: Flags | None = None
    differ: Flags | None = None

    def __getitem__(self, which: int | Ints) -> Simulated:
        """Some of them; of several studies' answers, (runs, trials), those of one."""

        def some(flags: Flags | None) -> Flags | None:
            return None if flags is None else flags[which]

        return Simulated(self.y[which], some(self.tied), some(self.differ))


@dataclass(frozen=True)
class Procedure:
    """One procedure.

    `chance`: share right if nobody hears anything. `samples`: how many are played. `directed`:
    each vote points to one of two takes and there is no right answer. `twin`: two samples of a
    trial come from the same take. `earns`: the verdicts that a question put by it can end in,
    beside those that claim nothing; “not heard” is among them where whoever hears a difference
    must answer right by it. `purpose`: what it is for. `curve`: share right by d′, and the mixed
    model's link; None where that takes more than a d′. `seconds`: rough length of a trial with
    5 s excerpts, for planning (common practice, no source). `names`: what the samples' buttons
    say, in the order of the slots. `options`: what a contrast of the plan may say for it beside
    the usual. `claimed`: for the plan in words, what has to be so before it claims, with
    the places {leaning} and {relabelled}; nothing where that goes without saying.
    `simulated_as`: what simulated listeners go by beside the usual, with the places {criterion} and
    {undecided}. `why`: what speaks for it, with the places {own}, {abx} and
    {times} for votes; `proposed`: its place among those of its purpose.

    For the report: `reported_as`, `curve_source`, `method`, `method_of_order` (of three or more
    conditions) are of the methods. `found`, `by_group`, `undecided`, `counted`, `share_of` and
    `share_of_take` tell votes, in words and in pictures; `toward`: what most said of a side,
    `no_people`: why that tells no share of people. `how_many`, `no_claim`, `no_claim_of_change`:
    what readers ask, and what must not be claimed without a verdict. `few_takes`, `no_absence`:
    why nothing is claimed about the change with so few takes, or “not heard” cannot follow.
    """

    code: str
    name: str
    chance: float
    samples: int
    instruction: str
    question: str
    answers: tuple[str, ...]
    answer_texts: tuple[str, ...]
    names: tuple[str, ...]
    seconds: int
    purpose: Purpose
    curve: Curve | None
    reported_as: str
    curve_source: str
    why: str
    proposed: int = 0
    directed: bool = False
    twin: bool = False
    earns: tuple[str, ...] = ("heard",)
    options: tuple[str, ...] = ()
    found: str = T_(
        "told apart in {right} of {trials} blind comparisons, where guessing gives about {guess}"
    )
    by_group: str = T_("By group, the conditions were told apart {counts}. {only}")
    undecided: str = T_("Not enough yet. {found}.")
    counted: str = T_("right")
    share_of: str = T_("share right")
    share_of_take: str = T_("share right")
    toward: str = ""
    how_many: str = T_("How many can hear it?")
    no_people: str = ""
    no_claim: str = T_("Neither that it is heard nor that it is not.")
    no_claim_of_change: str = ""
    few_takes: str = ""
    no_absence: str = ""
    method: str = ""
    claimed: str = ""
    method_of_order: str = ""
    simulated_as: str = ""

    @property
    def shows_absence(self) -> bool:
        return "not_heard" in self.earns

    # --- what listeners read -----------------------------------------------------------------

    def question_text(self, attribute: str | None = None) -> str:
        """The question of a trial; the attribute, where there is one, in the user's own words."""
        return self.question.replace("{attribute}", attribute or "of it")

    def instruction_text(self, attribute: str | None = None) -> str:
        """Two plain sentences for before the first trial."""
        return self.instruction.replace("{attribute}", attribute or "of it")

    def said_by(self: Asked, say: Callable[[str], str]) -> Asked:
        """The procedure with all that listeners read put by `say`, say into their language."""
        return replace(
            self,
            instruction=say(self.instruction),
            question=say(self.question),
            answer_texts=tuple(map(say, self.answer_texts)),
            names=tuple(map(say, self.names)),
        )

    def as_asked(self: Asked, *, ties: bool) -> Asked:
        """The procedure as a contrast has it: `ties`, whether an answer may be for neither."""
        return self

    def instructs(self, *, first_of_kind: bool) -> bool:
        """Whether a trial comes with the instruction in full."""
        return first_of_kind

    # --- which takes go where ----------------------------------------------------------------

    def pairs(
        self, sides: Sequence[Sequence[str]], pools: Sequence[Sequence[str]]
    ) -> tuple[Pair, ...]:
        """The pairs of a question: each pool's round robin, blind to the conditions' `sides`."""
        return tuple(pair for pool in pools for pair in combinations(sorted(pool), 2))

    @property
    def round_robin(self) -> bool:
        """Whether takes of one condition are paired too: the schedule then knows no condition,
        and the pairs within are the question's own retake control."""
        return ("a", "b") in self.pairs((("a", "b"), ("c",)), (("a", "b", "c"),))

    def beside(
        self, pair: Pair, sides: Sequence[Sequence[str]], below: Randbelow
    ) -> tuple[str, ...]:
        """Further takes that are at hand in a trial on `pair`, drawn by `below`."""
        return ()

    def key(self, pair: Pair, beside: Sequence[str], randbelow: Randbelow) -> KeyedTrial:
        """Put a pair into slots: independent and uniform over all arrangements.

        `randbelow(n)` gives an integer in [0, n).
        """
        raise NotImplementedError

    def taught(self, keyed: KeyedTrial, more: str) -> int | None:
        """The answer that practice calls right, as its place in ANSWERS, where take `more` has
        more of what is asked; None where any is."""
        return keyed.right

    # --- what a vote says --------------------------------------------------------------------

    @property
    def possible(self) -> tuple[str, ...]:
        """Answers that a vote may have in any study."""
        return self.answers

    def misfits(self, slots: Ints, answer: Ints) -> Iterator[tuple[Flags, str]]:
        """What can be wrong with slots and answers: the votes at fault, (votes,), and a sentence's
        end for it, with the place {answer}. The first that fits a vote is the one to tell."""
        yield from self.misplaced(slots)
        known = np.isin(answer, [ANSWERS.index(a) for a in self.possible])
        *most, last = self.possible
        yield ~known, f"has the answer {{answer}}, where {', '.join(most)} or {last} was possible"

    def misplaced(self, slots: Ints) -> Iterator[tuple[Flags, str]]:
        """The part of `misfits` that is about how many samples there are, and of which takes."""
        for slot in range(SLOTS - 1, self.samples - 1, -1):
            more = f"has {NUMBERS[slot + 1]} samples, where this procedure has "
            yield slots[:, slot] != EMPTY, more + NUMBERS[self.samples]
        for slot in range(2, self.samples):
            lacks = f"has no {ORDINALS[slot]} sample, which this procedure needs"
            yield slots[:, slot] == EMPTY, lacks
        yield from self.misarranged(slots)

    def misarranged(self, slots: Ints) -> Iterator[tuple[Flags, str]]:
        """The part of `misplaced` for votes that have as many samples as they should."""
        raise NotImplementedError

    def pair(self, slots: Ints) -> Ints:
        """(votes, 2): the two takes that were compared, the lower number first."""
        filled = np.where(slots == EMPTY, slots[:, :1], slots)
        return np.stack([filled.min(axis=1), filled.max(axis=1)], axis=1)

    def at_hand(self, slots: Ints) -> Ints | None:
        """(votes, 2): the takes that were at hand beside the pair; None where there are none."""
        return None

    def differ(self, slots: Ints) -> Flags | None:
        """(votes,): whether two takes were played; None where they always are."""
        return None

    def chosen(self, slots: Ints, answer: Ints) -> Ints:
        """(votes,): the take in the slot that was named, EMPTY where the answer names none."""
        named = SLOT_OF[answer]
        out: Ints = np.where(
            (answer == UNKNOWN) | (named == EMPTY), EMPTY, slots[np.arange(len(slots)), named]
        )
        return out

    def right(self, slots: Ints, answer: Ints, side: Ints, *, known: bool) -> Flags | None:
        """(votes,): whether each vote is right, from its slots; None where no answer is.

        `side` (takes,): the condition of each take. `known`: of a planted check, whose second
        condition has more of what was planted.
        """
        raise NotImplementedError

    # --- a simulated listener ----------------------------------------------------------------

    def decide(self, heard: Sequence[float], lean: float = 0.0) -> int:
        """The answer, as its place in ANSWERS, that percepts by slot give: the rule whose share
        right is `curve`. `lean` favours the first sample, in units of perceptual noise."""
        raise NotImplementedError

    def simulate(
        self,
        rng: np.random.Generator,
        apart: Floats,
        *,
        criterion: float,
        undecided: float | None,
    ) -> Simulated:
        """Answers to samples that lie `apart`, in d′ of each listener's own: the share right of
        `curve`. `criterion`: how far apart two samples must seem to be called different;
        `undecided`: within what distance neither is preferred, None where one must be chosen."""
        assert self.curve is not None
        return Simulated(rng.random(apart.shape) < self.curve.probability(apart))

    def share_right(self, dprime: float) -> float:
        """Probability of a right answer at `dprime`; of a vote for one side, where directed."""
        assert self.curve is not None
        return float(self.curve.probability(dprime))


def two_takes(pair: Sequence[str], randbelow: Randbelow) -> Pair:
    """The pair in an order at random. Raises BadInput for one take twice."""
    if pair[0] == pair[1]:
        raise BadInput(f"A trial needs two different takes, not {pair[0]} twice.")
    flip = randbelow(2)
    return pair[flip], pair[1 - flip]
