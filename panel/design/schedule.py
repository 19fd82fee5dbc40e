"""Who hears which pair of takes, and in which order: balanced, unpredictable, blind to condition.

The schedule is a pure function of the plan and a listener's ordinal (0, 1, 2 … in order of
arrival). It looks at the takes of a question as one pool: which condition a take has plays no
part, so that permuting the conditions' labels over takes is an exact test.
Which slot holds what is *not* decided here but by `draw_key`, for each trial, independently and
uniformly: balanced keys would spoil the binomial.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256
from itertools import combinations, zip_longest
from typing import TypeVar

from panel.errors import BadInput
from panel.procedures.base import KeyedTrial, Pair
from panel.procedures.catalogue import procedure
from panel.study.plan import Contrast, Plan

T = TypeVar("T")


@dataclass(frozen=True)
class PlannedTrial:
    """One trial before its key is drawn. `take_a` < `take_b` says nothing about condition.

    `reminders`: where there are any, another take of the condition of `take_a`, and of `take_b`.
    """

    contrast: str
    procedure: str
    excerpt: str
    take_a: str
    take_b: str
    block: int
    reminders: tuple[str, ...] = ()


def round_robin_pairs(takes: Sequence[str]) -> tuple[Pair, ...]:
    """Every unordered pair of the takes, each in the takes' sorted order."""
    return tuple(combinations(sorted(takes), 2))


def contrast_pairs(contrast: Contrast) -> tuple[Pair, ...]:
    """The pairs of takes a contrast of the plan asks about.

    A question: the round robin of its pooled takes, or, given other factors, one within each
    stratum; with a reminder only pairs across. A planted
    check: each take with its own planted copy. A free retake control: every take of the
    one side with every one of the other.
    """
    sides = [sorted(side) for side in contrast.sides]
    if contrast.role == "question":
        return contrast.asked_by.pairs(sides, _pools(contrast))
    if contrast.role == "planted_check":
        left, right = contrast.sides
        if len(left) == len(right):
            return tuple(_sorted_pair(a, b) for a, b in zip(left, right, strict=True))
    return tuple(sorted(_sorted_pair(a, b) for a in sides[0] for b in sides[1]))


def deck_size(plan: Plan, contrast: Contrast) -> int:
    """Cards in one deck of a contrast: its pairs times the plan's excerpts."""
    return len(contrast_pairs(contrast)) * len(plan.excerpts)


def listener_trials(plan: Plan, ordinal: int) -> list[PlannedTrial]:
    """The trials of the listener with that ordinal (from 0), in the order they are to be put.

    Consecutive listeners are dealt consecutive cards, so over whole decks each pair × excerpt
    has come up equally often. Trials stand in blocks of one procedure and question; the order
    of blocks is drawn for each listener, contrasts of one block are mixed, planted checks are
    spread over it. Raises BadInput for a negative ordinal.
    """
    if ordinal < 0:
        raise BadInput("A listener's ordinal counts from zero.")
    own = SeededStream(plan.schedule_seed, "listener", ordinal)
    blocks: dict[tuple[str, str, bool], list[Contrast]] = {}
    for contrast in plan.served:
        key = (contrast.procedure, contrast.attribute or "", contrast.ties)
        blocks.setdefault(key, []).append(contrast)
    trials: list[PlannedTrial] = []
    for number, key in enumerate(own.shuffled(sorted(blocks))):
        asked: list[tuple[str, Pair, str]] = []
        checks: list[tuple[str, Pair, str]] = []
        for contrast in blocks[key]:
            cards = dealt(plan, contrast, ordinal)
            kind = checks if contrast.role == "planted_check" else asked
            kind.extend((contrast.id, pair, excerpt) for pair, excerpt in cards)
        for contrast_id, pair, excerpt in _spread(own, own.shuffled(asked), own.shuffled(checks)):
            reminders = _reminders(plan, contrast_id, ordinal, len(trials), pair)
            trials.append(PlannedTrial(contrast_id, key[0], excerpt, *pair, number, reminders))
    return trials


def dealt(plan: Plan, contrast: Contrast, ordinal: int) -> list[tuple[Pair, str]]:
    """The cards (pair, excerpt) of one contrast that fall to one listener."""
    votes = contrast.votes_per_listener
    size = deck_size(plan, contrast)
    cards: list[tuple[Pair, str]] = []
    position = ordinal * votes
    while len(cards) < votes:
        number, start = divmod(position, size)
        part = deck(plan, contrast, number)[start : start + votes - len(cards)]
        cards.extend(part)
        position += len(part)
    return cards


def deck(plan: Plan, contrast: Contrast, number: int) -> list[tuple[Pair, str]]:
    """Deck `number` of a contrast, shuffled: each pair × excerpt exactly once.

    A deck runs through the pairs once for each excerpt, and pairs come in rounds in which each
    take appears at most once (the circle method for tournaments; takes, rounds and their insides
    are shuffled), so that even a short hand has its takes well spread.
    """
    stream = SeededStream(plan.schedule_seed, "deck", contrast.id, number)
    excerpts = plan.excerpt_ids
    pairs = list(contrast_pairs(contrast))
    offsets = [index % len(excerpts) for index in range(len(pairs))]
    first_excerpt = dict(zip(pairs, stream.shuffled(offsets), strict=True))
    order = stream.shuffled(excerpts)
    cards = []
    for turn in range(len(excerpts)):
        for pair in _rounds(stream, pairs, _pools(contrast)):
            cards.append((pair, order[(first_excerpt[pair] + turn) % len(excerpts)]))
    return cards


def draw_keys(
    plan: Plan,
    trials: Sequence[PlannedTrial],
    randbelow: Callable[[int], int] = secrets.randbelow,
) -> list[KeyedTrial]:
    """The keys of one listener's trials, each drawn by itself.

    Which condition goes by the first of the two names of a reminder is drawn once for each
    listener and contrast, so that the names can be learned.
    """
    sides = {contrast.id: contrast.side_of for contrast in plan.served}
    named: dict[str, int] = {}
    keyed = []
    for trial in trials:
        pair, reminders = (trial.take_a, trial.take_b), trial.reminders
        if reminders:
            if trial.contrast not in named:
                named[trial.contrast] = randbelow(2)
            if sides[trial.contrast][pair[0]] != named[trial.contrast]:
                pair, reminders = (pair[1], pair[0]), (reminders[1], reminders[0])
        keyed.append(draw_key(trial.procedure, pair, randbelow, reminders=reminders))
    return keyed


def draw_key(
    procedure_code: str,
    pair: Pair,
    randbelow: Callable[[int], int] = secrets.randbelow,
    *,
    reminders: tuple[str, ...] = (),
) -> KeyedTrial:
    """Put a pair of takes into slots, as the procedure says: independent and uniform over all
    arrangements. `randbelow(n)` gives an integer in [0, n)."""
    return procedure(procedure_code).key(pair, reminders, randbelow)


class SeededStream:
    """Random integers from SHA-256 in counter mode over a seed and a name.

    Own, because a schedule has to come out the same on every version of every library; it is
    published with the plan and secret to nobody. Keys never come from here.
    """

    def __init__(self, seed: str, *name: object) -> None:
        self._prefix = "\x1f".join([seed, *map(str, name)]).encode()
        self._words = self._stream()

    def _stream(self) -> Iterator[int]:
        counter = 0
        while True:
            block = sha256(self._prefix + b"\x1f" + str(counter).encode()).digest()
            for start in range(0, len(block), 8):
                yield int.from_bytes(block[start : start + 8], "big")
            counter += 1

    def below(self, n: int) -> int:
        """A uniform integer in [0, n), by rejection."""
        limit = (1 << 64) - (1 << 64) % n
        return next(word for word in self._words if word < limit) % n

    def shuffled(self, items: Sequence[T]) -> list[T]:
        """A shuffled copy (Fisher–Yates)."""
        result = list(items)
        for last in range(len(result) - 1, 0, -1):
            other = self.below(last + 1)
            result[last], result[other] = result[other], result[last]
        return result


def _reminders(
    plan: Plan, contrast_id: str, ordinal: int, place: int, pair: Pair
) -> tuple[str, ...]:
    """What is at hand beside a pair, drawn anew for each trial."""
    contrast = plan.contrast(contrast_id)
    stream = SeededStream(plan.schedule_seed, "reminders", contrast_id, ordinal, place)
    return contrast.asked_by.beside(pair, contrast.sides, stream.below)


def _sorted_pair(a: str, b: str) -> Pair:
    return (a, b) if a < b else (b, a)


def _pools(contrast: Contrast) -> list[list[str]]:
    """Takes that are paired with one another: all of them, or those of each stratum."""
    if contrast.strata:
        return [sorted(stratum.takes) for stratum in contrast.strata]
    return [sorted(contrast.side_of)]


def _rounds(
    stream: SeededStream, pairs: Sequence[Pair], pools: Sequence[Sequence[str]]
) -> list[Pair]:
    """The pairs in shuffled rounds; other than full round robins are merely shuffled.

    Of several pools, one round of each is played at a time, so that no take comes up twice.
    """
    if len(pairs) != sum(len(pool) * (len(pool) - 1) // 2 for pool in pools):
        return stream.shuffled(pairs)
    turns = [stream.shuffled(_circle(stream, pool)) for pool in pools]
    together = zip_longest(*turns, fillvalue=())
    return [pair for turn in together for pair in stream.shuffled([p for t in turn for p in t])]


def _circle(stream: SeededStream, pool: Sequence[str]) -> list[list[Pair]]:
    """Rounds of a round robin in which each take appears at most once."""
    seats: list[str | None] = [*stream.shuffled(pool)]
    if len(seats) % 2:
        seats.append(None)
    half = len(seats) // 2
    rounds = []
    for _ in range(len(seats) - 1):
        facing = zip(seats[:half], reversed(seats[half:]), strict=True)
        rounds.append([_sorted_pair(a, b) for a, b in facing if a is not None and b is not None])
        seats = [seats[0], seats[-1], *seats[1:-1]]
    return rounds


def _spread(stream: SeededStream, asked: list[T], checks: list[T]) -> list[T]:
    """Insert check i at a random place of the i-th of equal stretches of the block."""
    result: list[T] = []
    done = 0
    for index, check in enumerate(checks):
        end = (index + 1) * len(asked) // len(checks)
        place = done + stream.below(end - done + 1)
        result += [*asked[done:place], check, *asked[place:end]]
        done = end
    return result + asked[done:]
