"""How far a claim can reach, and what keeps it from reaching further, in words.

Readiness, plan, desk and verdict say the same, since they take it from here: each remark has a
code, what was found, and what to do about it. None of them forbids anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

from panel.analysis.wording.phrases import BARRIERS
from panel.design.floor import takes_needed
from panel.design.guard.as_drawn import following, recorded_in
from panel.prose import listed, plural, quoted, spelled
from panel.study.conditions import Condition
from panel.study.factors import Factor, TakeLog
from panel.study.sampling import (
    NOT_SAMPLED,
    NOTHING_GIVEN,
    DrawnOrder,
    Sampling,
    Scope,
    plain,
    sampled,
)

MOST_NAMED = 6


@dataclass(frozen=True)
class Remark:
    """What keeps a claim from reaching further: a code for programs, what was found, what to do."""

    code: str
    finding: str
    advice: str

    @property
    def bars(self) -> bool:
        """Whether nothing can be claimed about the change while it stands."""
        return self.code in NOT_SAMPLED

    @property
    def sentence(self) -> str:
        return f"{self.finding} {self.advice}".strip()


@dataclass(frozen=True)
class Reach:
    """How far a claim about one contrast can reach: its scope, the sentence on it, and remarks."""

    scope: Scope
    sentence: str
    remarks: tuple[Remark, ...] = ()

    @property
    def barred(self) -> bool:
        return any(remark.bars for remark in self.remarks)

    @property
    def sentences(self) -> tuple[str, ...]:
        """All that is said, a sentence or two each."""
        return (self.sentence, *(remark.sentence for remark in self.remarks))


@dataclass(frozen=True)
class Recorded:
    """What was logged of all takes of a study, as far as claims depend on it.

    `sounds`: take id to what tells its sound from every other, such as the SHA-256 of its file.
    """

    takes: Sequence[TakeLog]
    draws: Sequence[DrawnOrder] = ()
    carrier: str = ""
    sounds: Mapping[str, str] = field(default_factory=dict)


def reach(
    conditions: Sequence[Condition],
    recorded: Recorded,
    *,
    alpha: float = 0.05,
    is_dose: bool = False,
    factor: Factor | None = None,
    strata: Mapping[str, int] = NOTHING_GIVEN,
) -> Reach:
    """What a claim about these conditions can speak of.

    `alpha`, `is_dose`, `strata` as for `panel.study.sampling.sampled`; `factor`: what is asked
    about, where that is known.
    """
    found = sampled(conditions, recorded.takes, alpha, is_dose=is_dose, strata=strata)
    asked = _Asked(conditions, recorded, found, alpha, factor)
    remarks = (*_barriers(asked), *_short(asked), *log_remarks(asked.only), *_carrier(asked))
    return Reach(found.scope, _sentence(asked), remarks)


def log_remarks(recorded: Recorded) -> tuple[Remark, ...]:
    """What is wrong in the log by itself, whatever is asked: one specimen in two spellings, one
    sound under two specimens, a session recorded in another order than drawn."""
    return (
        *_spelled_apart(recorded.takes),
        *_one_sound(recorded),
        *filter(None, (_other_order(draw, recorded.takes) for draw in recorded.draws)),
    )


def alike_in_letters(names: Iterable[str]) -> list[tuple[str, ...]]:
    """Names of the same letters and digits that yet count as different ones, in groups."""
    spellings: dict[str, dict[str, str]] = {}
    for name in names:
        letters = "".join(c for c in name.casefold() if c.isalnum())
        spellings.setdefault(letters, {}).setdefault(plain(name), name)
    return [tuple(own.values()) for letters, own in spellings.items() if letters and len(own) > 1]


@dataclass(frozen=True)
class _Asked:
    """A contrast with what was logged, and what follows from it."""

    conditions: Sequence[Condition]
    recorded: Recorded
    sampling: Sampling
    alpha: float
    factor: Factor | None

    @property
    def takes(self) -> list[TakeLog]:
        inside = {id_ for condition in self.conditions for id_ in condition.takes}
        return [take for take in self.recorded.takes if take.take_id in inside]

    @property
    def only(self) -> Recorded:
        """What was logged, as far as it is of this contrast's takes; whole sessions where an order
        was drawn for one of them."""
        sessions = {plain(take.session) for take in self.takes}
        inside = {take.take_id for take in self.takes}
        draws = [draw for draw in self.recorded.draws if plain(draw.session) in sessions]
        drawn = {plain(draw.session) for draw in draws}
        return Recorded(
            [t for t in self.recorded.takes if t.take_id in inside or plain(t.session) in drawn],
            draws,
            self.recorded.carrier,
            {id_: sound for id_, sound in self.recorded.sounds.items() if id_ in inside},
        )

    def specimens(self, condition: Condition) -> list[str]:
        """The condition's specimens, each in the first of its spellings."""
        first: dict[str, str] = {}
        for take in self.takes:
            if take.take_id in condition.takes:
                first.setdefault(plain(take.specimen), take.specimen)
        return list(first.values())

    @property
    def numbers(self) -> str:
        """ "5 of “epoxy” and 5 of “hide glue”"."""
        return listed(
            f"{count} of “{condition.label}”"
            for condition, count in zip(self.conditions, self.sampling.specimens, strict=True)
        )


def _sentence(asked: _Asked) -> str:
    if asked.sampling.scope == "recordings":
        return "A claim can speak of these recordings only, not of what was changed."
    carried = f" It ends at what carries them: {_carried(asked)}." if _carried(asked) else ""
    if asked.sampling.scope == "kind":
        return f"A claim can speak of the kind: specimens are {asked.numbers}.{carried}"
    if set(asked.sampling.specimens) == {1}:
        names = " against ".join(f"“{asked.specimens(c)[0]}”" for c in asked.conditions)
        return f"A claim can speak of these specimens, not of their kind: {names}.{carried}"
    return f"A claim can speak of these specimens, not of their kind: {asked.numbers}.{carried}"


def _carried(asked: _Asked) -> str:
    return asked.recorded.carrier.rstrip(" .")


def _barriers(asked: _Asked) -> list[Remark]:
    """All that bars a claim about the change, and not only the first of it."""
    found = [
        _unlogged("no_specimen", [t.name for t in asked.takes if not plain(t.specimen)]),
        _unlogged("sessions_unlogged", [t.name for t in asked.takes if not plain(t.session)]),
    ]
    barrier = asked.sampling.barrier
    if barrier == "different_sessions":
        found.append(
            _barred(barrier, f"Record them in one session, in drawn order.{_grows(asked)}")
        )
    if barrier == "in_one_go":
        advice = f"Draw the order of the next session, and record in it.{_grows(asked)}"
        found.append(_barred(barrier, advice))
    return [remark for remark in found if remark is not None]


def _barred(code: str, advice: str) -> Remark:
    return Remark(code, BARRIERS[code], advice)


def _unlogged(code: str, takes: Sequence[str]) -> Remark | None:
    if not takes:
        return None
    of = f"{'take' if len(takes) == 1 else 'takes'} {_some(takes)}"
    if code == "no_specimen":
        return _barred(code, f"Log the specimen of {of}: the very thing that was recorded.")
    return _barred(code, f"Log the session of {of}: a date or a number will do.")


def _grows(asked: _Asked) -> str:
    """What else to do where the factor asked about can only grow, as hours do."""
    if asked.factor is None or asked.factor.kind != "numeric":
        return ""
    return (
        f" Where {asked.factor.name} can only grow, record a companion, a specimen that rests, "
        "beside it each time."
    )


def _short(asked: _Asked) -> list[Remark]:
    """Why a claim cannot be about the kind; nothing while not even specimens can be spoken of for
    want of their names."""
    short = asked.sampling.short
    if short is None or asked.sampling.barrier == "no_specimen":
        return []
    say = {"given": _given, "shared": _shared, "unequal": _unequal, "few": _few}
    return [Remark(short, *say[short](asked))]


def _given(_: _Asked) -> tuple[str, str]:
    return (
        "Where takes are compared only among those alike in something else, a claim is about these "
        "specimens, not their kind.",
        "For the kind, ask with all else alike.",
    )


def _shared(asked: _Asked) -> tuple[str, str]:
    sides = [
        {plain(name): name for name in asked.specimens(condition)} for condition in asked.conditions
    ]
    both = {key: a[key] for a, b in combinations(sides, 2) for key in a.keys() & b.keys()}
    names = quoted(list(both.values())[:MOST_NAMED])
    word, stands = ("Specimen", "stands") if len(both) == 1 else ("Specimens", "stand")
    return (
        f"{word} {names} {stands} on both sides: a claim is about these specimens, not their kind.",
        "For the kind, record other specimens on each side. Where the change cannot be taken back, "
        "as with hours or a cut, record companions that rest, beside them each time.",
    )


def _unequal(asked: _Asked) -> tuple[str, str]:
    return (
        f"With unequal numbers ({_counts(asked)}) a claim about the kind would be false too often, "
        "so it is about these specimens.",
        "Record as many specimens on each side, or leave out the takes of some.",
    )


def _few(asked: _Asked) -> tuple[str, str]:
    needed = spelled(takes_needed(asked.alpha))
    one = set(asked.sampling.specimens) == {1}
    there = "One specimen a side is" if one else f"{_counts(asked)} specimens are"
    return (
        f"{there} too few for a claim about the kind.",
        f"Record {needed} specimens on each side, a take of each, one more where two claims are "
        "made; or be content with a claim about these specimens.",
    )


def _counts(asked: _Asked) -> str:
    """ "2 and 2"."""
    return listed(map(str, asked.sampling.specimens))


def _carrier(asked: _Asked) -> list[Remark]:
    if _carried(asked) or asked.sampling.scope == "recordings":
        return []
    return [
        Remark(
            "no_carrier",
            "It is not said what carries the specimens, where the claim ends.",
            "Name it above the log, such as “the one zither, the one amplifier”.",
        )
    ]


def _spelled_apart(takes: Iterable[TakeLog]) -> list[Remark]:
    names = [take.specimen for take in takes if plain(take.specimen)]
    return [
        Remark(
            "two_spellings",
            f"{quoted(group)} count as {spelled(len(group))} specimens, though their letters and "
            "digits are the same.",
            "If they are one, write its name in one way; if not, number them.",
        )
        for group in alike_in_letters(names)
    ]


def _one_sound(recorded: Recorded) -> list[Remark]:
    """Takes of the same sound that are logged as of different specimens."""
    by_sound: dict[str, list[TakeLog]] = {}
    for take in recorded.takes:
        if take.take_id in recorded.sounds and plain(take.specimen):
            by_sound.setdefault(recorded.sounds[take.take_id], []).append(take)
    return [
        Remark(
            "one_sound",
            f"Takes {listed(take.name for take in own)} are the same sound file, logged as of "
            f"{quoted(dict.fromkeys(take.specimen for take in own))}.",
            "Only one of them can be right: correct the log, or remove the copy.",
        )
        for own in by_sound.values()
        if len({plain(take.specimen) for take in own}) > 1
    ]


def _other_order(draw: DrawnOrder, takes: Sequence[TakeLog]) -> Remark | None:
    if following(draw, takes) != "other":
        return None
    recorded = [name or "no specimen" for name in recorded_in(draw, takes)]
    return Remark(
        "other_order",
        f"Session “{draw.session}” was recorded in another order than drawn: drawn were "
        f"{', '.join(draw.order)}; recorded, {', '.join(recorded)}.",
        "If the log is wrong, correct it. If it was recorded so, nothing is lost, but only an "
        "order that was drawn tells the change from drift: record the session anew, in that order.",
    )


def _some(names: Sequence[str]) -> str:
    more = len(names) - MOST_NAMED
    if more < 2:
        return listed(names)
    return listed([*names[:MOST_NAMED], plural(more, "more take", "more takes")])
