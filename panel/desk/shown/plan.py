"""The plan before it is locked: its rules as fields, and what it costs and can answer, as words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from panel.design.power.planner import ContrastOutlook, Outlook
from panel.design.power.prospects import Ending, Prospects
from panel.desk import pictures
from panel.procedures.catalogue import procedure as kind_of
from panel.stages.plan.lock import Curve
from panel.study.rules import Rules

EFFECTS = {"heard": "heard", "preferred": "preferred"}
ABSENCES = {"not_heard": "not heard", "no_preference": "no preference"}
"""Of the verdicts that a question can earn, those whose shares are simulated, and their names."""
MANY = 0.995  # a chance above it is not told apart from certainty


@dataclass(frozen=True)
class RulesForm:
    """What the fields of the rules hold: what was typed, else what is kept."""

    stop_kind: str
    listeners: str
    alpha: str
    limit: str
    planted_least_right: str
    headphone_check: str
    headphones: str
    own_summary: bool


@dataclass(frozen=True)
class ShownEndings:
    """How the study ends: the claims, by truth the number of studies with each, and a note."""

    claims: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    note: str


@dataclass(frozen=True)
class ShownOutlook:
    """What one question's votes can yield. `sizes` and `chances` are the columns of its table."""

    name: str
    sentences: tuple[str, ...]
    curve: Markup
    votes: int
    sizes: tuple[str, ...]
    chances: tuple[str, ...]
    alpha: str
    anytime: bool
    needed: str
    endings: ShownEndings | None


@dataclass(frozen=True)
class ShownVotes:
    """A contrast that asks no question: only its votes are told."""

    name: str
    votes: int


@dataclass(frozen=True)
class ShownProspects:
    """What the plan costs and can answer; `simulated` once whole studies were simulated."""

    trials: int
    minutes: str
    advice: tuple[str, ...]
    contrasts: tuple[ShownOutlook | ShownVotes, ...]
    simulated: bool


def rules_form(rules: Rules, typed: Mapping[str, str]) -> RulesForm:
    least = rules.planted_least_right
    return RulesForm(
        stop_kind=typed.get("stop_kind", rules.stop_kind),
        listeners=typed.get("listeners", str(rules.listeners)),
        alpha=typed.get("alpha", f"{rules.alpha:g}"),
        limit=typed.get("limit", f"{100 * rules.limit:g}"),
        planted_least_right=typed.get("planted_least_right", "" if least is None else str(least)),
        headphone_check=typed.get("headphone_check", rules.headphone_check),
        headphones=typed.get("headphones", rules.headphones),
        own_summary=typed.get("own_summary") == "yes" if typed else rules.own_summary,
    )


def shown_prospects(
    outlook: Outlook, curves: Sequence[Curve], found: Prospects | None
) -> ShownProspects:
    drawn = {curve.outlook.id: pictures.power(curve.lines, curve.outlook.votes) for curve in curves}
    return ShownProspects(
        trials=outlook.trials,
        minutes=f"{outlook.minutes:.0f}",
        advice=outlook.advice,
        contrasts=tuple(
            _question(contrast, drawn.get(contrast.id, Markup()), found)
            if contrast.role == "question"
            else ShownVotes(contrast.name, contrast.votes)
            for contrast in outlook.contrasts
        ),
        simulated=found is not None,
    )


def what_it_can_answer(outlook: Outlook) -> tuple[tuple[str, str], ...]:
    """Of each question that something is said of, its name and what is said."""
    return tuple(
        (contrast.name, " ".join(contrast.sentences))
        for contrast in outlook.contrasts
        if contrast.role == "question" and contrast.sentences
    )


def _question(contrast: ContrastOutlook, curve: Markup, found: Prospects | None) -> ShownOutlook:
    return ShownOutlook(
        name=contrast.name,
        sentences=contrast.sentences,
        curve=curve,
        votes=contrast.votes,
        sizes=tuple(f"d′ = {dprime:g}" for dprime, _ in contrast.power),
        chances=tuple(
            "over 0.99" if share > MANY else f"{share:.2f}" for _, share in contrast.power
        ),
        alpha=f"{contrast.alpha:.3g}",
        anytime=contrast.anytime is not None,
        needed=" ".join(_needed(contrast)),
        endings=_endings(contrast.procedure, found.questions[contrast.id], found)
        if found and contrast.id in found.questions
        else None,
    )


def _needed(contrast: ContrastOutlook) -> list[str]:
    said = []
    if contrast.listeners_needed:
        said.append(
            f"For 80 % at d′ = 1 it takes {contrast.needed.first} votes across conditions, "
            f"that is {contrast.listeners_needed} listeners."
        )
    if contrast.limit_listeners:
        said.append(
            f"For “not heard”, if nobody hears it, about {contrast.limit_listeners} listeners."
        )
    if contrast.least_p:
        said.append(
            "The smallest p these takes allow for attributing it to the change is "
            f"{contrast.least_p:.2g}."
        )
    return said


def _endings(code: str, endings: Sequence[Ending], found: Prospects) -> ShownEndings:
    earned = kind_of(code).earns
    effects = [EFFECTS[verdict] for verdict in earned if verdict in EFFECTS]
    absences = [ABSENCES[verdict] for verdict in earned if verdict in ABSENCES]
    return ShownEndings(
        claims=(*effects, *absences, "only the recordings differ", "no claim"),
        rows=tuple((_truth(end), _ended(end, bounded=bool(absences))) for end in endings),
        note=_note(code, found),
    )


def _truth(end: Ending) -> str:
    if not end.hearing:
        return "nobody hears anything"
    hearing = "everybody hears" if end.hearing == 1 else f"{10 * end.hearing:.0f} in 10 hear"
    return f"{hearing} d′ = {end.dprime:g}"


def _ended(end: Ending, *, bounded: bool) -> tuple[str, ...]:
    shares = (end.change, *((end.bounded,) if bounded else ()), end.recordings, end.none)
    return tuple(f"{100 * share:.0f}" for share in shares)


def _note(code: str, found: Prospects) -> str:
    said = [
        f"Simulated: {found.runs:,} whole studies a row, decided as the verdict will be. "
        "Listeners who hear differ in sensitivity, takes of one condition lie "
        f"d′ = {found.take_spread:g} apart by themselves, and everybody hears the planted check."
    ]
    kind = kind_of(code)
    if kind.shows_absence:
        said.append(
            "“Not heard” counts a listener who hears now and then as part of one who always hears: "
            "it can be said although some hear a little."
        )
    if kind.simulated_as:
        said.append(
            kind.simulated_as.format(
                criterion=f"{found.criterion:g}", undecided=f"{found.undecided:g}"
            )
        )
    return " ".join(said)
