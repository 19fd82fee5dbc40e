"""Contrasts, proposals, and the forms by which they are asked, as words."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from panel.design.guard.clean_pairs import CleanPair
from panel.design.guard.scope_words import Reach
from panel.design.power.procedure_choice import Option
from panel.procedures import catalogue
from panel.procedures.catalogue import procedure as kind_of
from panel.prose import agreeing, capital, plural
from panel.stages.contrasts.readiness import ReadinessView
from panel.stages.contrasts.views import ContrastView, ProposalView, SideView
from panel.stages.rows import TakeView
from panel.study.conditions import Condition
from panel.study.factors import Factor

ROLES = {
    "question": "question",
    "retake_control": "retake control",
    "planted_check": "planted check",
}
SCALES = {"linear": "linear", "log1p": "over log(1 + dose)"}
USUAL = next(iter(catalogue.PROCEDURES))
GROUPS = {"": "not used", "first": "first", "second": "second"}


@dataclass(frozen=True)
class Choice:
    """Something to choose: what is sent, and what is read."""

    value: str
    words: str


FOR_RETAKES = tuple(Choice(kind.code, kind.name) for kind in catalogue.FOR_RETAKES)
FOR_CHECKS = tuple(Choice(kind.code, kind.name) for kind in catalogue.FOR_CHECKS)
GROUP_CHOICES = tuple(Choice(value, words) for value, words in GROUPS.items())


@dataclass(frozen=True)
class ShownSide:
    label: str
    takes: str


@dataclass(frozen=True)
class ShownContrast:
    key: str
    name: str
    role: str
    sides: tuple[ShownSide, ...]
    put_by: str
    allowed: bool
    finding: str
    reason: str | None
    has_retakes: bool
    warnings: tuple[str, ...]
    reach: str  # how far a claim can reach; "" where there is none
    remarks: tuple[str, ...]  # what keeps it from reaching further


@dataclass(frozen=True)
class ShownProposal:
    """`query` asks for the form with all this filled in; "" for what is a retake control."""

    name: str
    sides: tuple[ShownSide, ...]
    finding: str
    warnings: tuple[str, ...]
    query: str
    reach: str
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class ShownPair:
    """A clean pair near to what was asked."""

    sentence: str
    query: str


@dataclass(frozen=True)
class ShownTick:
    """Something to tick, and whether it is."""

    value: str
    words: str
    ticked: bool


@dataclass(frozen=True)
class TickedSide:
    """The takes of one value, to be ticked."""

    label: str
    takes: tuple[ShownTick, ...]


@dataclass(frozen=True)
class ShownOption:
    """A way to put the question; `asks` names what its form asks for besides."""

    code: str
    name: str
    why: str
    asks: tuple[str, ...]


@dataclass(frozen=True)
class ShownQuestion:
    """The form for a question about one factor. `trends` are empty where the factor has names;
    `crossed` where nothing else is logged or there is nothing to tell apart."""

    factor: str
    about: str
    name: str
    sides: tuple[TickedSide, ...]
    all_alike: bool
    unlogged: str
    trends: tuple[Choice, ...]
    trend: str
    crossed: tuple[ShownTick, ...]
    options: tuple[ShownOption, ...]
    procedure: str
    attribute: str
    ties: bool
    reasons: bool
    words: str
    votes: str
    reason: str


@dataclass(frozen=True)
class ShownForm:
    """What a form for a control or a check holds."""

    name: str
    take: str
    kind: str
    amount: str
    procedure: str
    attribute: str
    votes: str


@dataclass(frozen=True)
class GroupedTake:
    key: str
    label: str
    group: str


def shown_contrast(contrast: ContrastView) -> ShownContrast:
    return ShownContrast(
        key=contrast.key,
        name=contrast.name,
        role=ROLES[contrast.role],
        sides=_sides(contrast.sides),
        put_by=_put_by(contrast),
        allowed=contrast.allowed,
        finding=contrast.finding,
        reason=contrast.override_reason,
        has_retakes=contrast.has_retakes,
        warnings=contrast.warnings,
        reach=contrast.reach.sentence if contrast.reach else "",
        remarks=_remarks(contrast.reach),
    )


def shown_proposal(proposal: ProposalView) -> ShownProposal:
    return ShownProposal(
        name=proposal.name,
        sides=_sides(proposal.sides),
        finding=proposal.finding,
        warnings=proposal.warnings,
        query=_query(proposal.factor, proposal.takes, proposal.given[:1])
        if proposal.factor
        else "",
        reach=proposal.reach.sentence if proposal.reach else "",
        remarks=_remarks(proposal.reach),
    )


def shown_pair(pair: CleanPair) -> ShownPair:
    return ShownPair(
        pair.sentence, f"factor={quote(pair.factor)}&takes={pair.take_a},{pair.take_b}"
    )


def shown_factors(factors: Sequence[Factor]) -> tuple[Choice, ...]:
    return tuple(
        Choice(factor.id, f"{factor.name} ({factor.unit})" if factor.unit else factor.name)
        for factor in factors
    )


def shown_question(
    asked: Factor,
    factors: Sequence[Factor],
    sides: Sequence[Condition],
    takes: Sequence[TakeView],
    options: Sequence[Option],
    *,
    chosen: Collection[str] | None,
    given: Collection[str],
    typed: Mapping[str, str],
) -> ShownQuestion:
    """`chosen`: keys of the takes that are ticked, None for all; `given`: factors held alike."""
    labels = {take.key: take.label for take in takes}
    ticked = set(labels) if chosen is None else set(chosen)
    numeric = asked.kind == "numeric"
    return ShownQuestion(
        factor=asked.id,
        about=asked.name,
        name=typed.get("name", capital(asked.name)),
        sides=tuple(
            TickedSide(
                side.label,
                tuple(ShownTick(key, labels[key], key in ticked) for key in side.takes),
            )
            for side in sides
        ),
        all_alike=len(sides) < 2,
        unlogged=_unlogged(asked, sides, takes),
        trends=_trends(asked) if numeric else (),
        trend=typed.get("scale", "linear" if len(sides) > 2 else ""),
        crossed=_crossed(asked, factors, given) if len(sides) > 1 else (),
        options=tuple(_option(option) for option in options),
        procedure=typed.get("procedure", USUAL),
        attribute=typed.get("attribute", ""),
        ties=typed.get("ties") == "yes",
        reasons=typed.get("reasons") == "yes",
        words=typed.get("words", ""),
        votes=typed.get("votes", "16"),
        reason=typed.get("reason", ""),
    )


def shown_form(typed: Mapping[str, str]) -> ShownForm:
    return ShownForm(
        name=typed.get("name", "Retakes"),
        take=typed.get("take", ""),
        kind=typed.get("kind", "shelf"),
        amount=typed.get("amount", "6"),
        procedure=typed.get("procedure", USUAL),
        attribute=typed.get("attribute", ""),
        votes=typed.get("votes", "4"),
    )


def grouped(takes: Sequence[TakeView], typed: Mapping[str, str]) -> tuple[GroupedTake, ...]:
    """The takes, each with the group of a retake control that was chosen for it."""
    return tuple(
        GroupedTake(take.key, take.label, typed.get(f"group.{take.key}", "")) for take in takes
    )


def asked_or_borne(found: ReadinessView) -> str:
    """The questions that the check list is about: those asked, else those the log would bear."""
    if not found.questions:
        return ""
    head = "Asked" if found.asked else "Nothing is asked yet; the log would bear"
    return f"{head}: {'; '.join(found.questions)}."


def _sides(sides: Sequence[SideView]) -> tuple[ShownSide, ...]:
    return tuple(
        ShownSide(
            side.label,
            f"{agreeing(len(side.take_names), 'take', 'takes')} {', '.join(side.take_names)}",
        )
        for side in sides
    )


def _remarks(reach: Reach | None) -> tuple[str, ...]:
    return tuple(remark.sentence for remark in reach.remarks) if reach else ()


def _put_by(contrast: ContrastView) -> str:
    more = f": which has more {contrast.attribute}" if contrast.attribute else ""
    trend = f"; a trend, {SCALES[contrast.scale]}" if contrast.scale else ""
    votes = plural(contrast.votes_per_listener, "vote")
    return f"{contrast.procedure_name}{more}, {votes} from each listener{trend}"


def _query(factor: str, takes: str, given: Sequence[str]) -> str:
    query = f"factor={quote(factor)}&takes={quote(takes)}"
    return "".join([query, *(f"&given={quote(other)}" for other in given)])


def _unlogged(asked: Factor, sides: Sequence[Condition], takes: Sequence[TakeView]) -> str:
    logged = {key for side in sides for key in side.takes}
    left = [take.label for take in takes if take.key not in logged]
    if not left:
        return ""
    return (
        f"{asked.name} is not logged for {agreeing(len(left), 'take', 'takes')} {', '.join(left)}, "
        f"so {agreeing(len(left), 'it', 'they')} cannot be chosen."
    )


def _trends(asked: Factor) -> tuple[Choice, ...]:
    return (
        Choice("", "no trend: two values only"),
        Choice("linear", f"a trend, in equal steps of {asked.unit or asked.name}"),
        Choice(
            "log1p", f"a trend, where the first {asked.unit or 'steps'} count most (log(1 + x))"
        ),
    )


def _crossed(
    asked: Factor, factors: Sequence[Factor], given: Collection[str]
) -> tuple[ShownTick, ...]:
    return tuple(
        ShownTick(factor.id, factor.name, factor.id in given)
        for factor in factors
        if factor.id != asked.id
    )


def _option(option: Option) -> ShownOption:
    return ShownOption(option.code, option.name, option.why, kind_of(option.code).options)
