"""The verdict as typed values: what was found, in facts. Sentences are made from these and the
plan (panel.analysis.wording.told), so the document holds none.

Floats have six significant digits; shares lie between 0 and 1, intervals are (low, high), None
where there is no limit. The
fields of each class are the entries of the document, in its order.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

from panel.study.documents import Entry, Json
from panel.study.shapes import FLAT, NotTold, read, written

FORMAT = "fair-hearing-verdict/1"
CLAIMED = ("heard", "preferred")
AS_KEPT = "Use the verdict.json of an archive as this version of Fair Hearing wrote it."
Span: TypeAlias = tuple[float, float]
OpenSpan: TypeAlias = tuple[float | None, float | None]
Put: TypeAlias = str | bool | int | float | None


@dataclass(frozen=True)
class Remark:
    """A reason, a next step, a limit or a message: its code, what is put into its sentence, and the
    remarks that it passes on."""

    code: str
    values: dict[str, Put] = field(default_factory=dict)
    parts: tuple[Remark, ...] = ()

    def text(self, key: str) -> str:
        return str(self.values[key])

    def count(self, key: str) -> int:
        value = self.values[key]
        assert isinstance(value, int), f"{self.code} has no number {key}"
        return value

    def number(self, key: str) -> float:
        value = self.values[key]
        assert isinstance(value, int | float), f"{self.code} has no number {key}"
        return value


@dataclass(frozen=True)
class Excluded:
    """Who does not count by the plan's rule, and the code of each contrast if everybody did."""

    listeners: tuple[str, ...]
    changes_verdict: bool
    verdicts_without: dict[str, str]


@dataclass(frozen=True)
class ConditionTakes:
    label: str
    dose: float | None
    takes: int


@dataclass(frozen=True)
class Attribution:
    """Whether the change is responsible; None where it was not tested. `least_p`: the smallest p
    that these takes allow. `labelings`: ways to put the labels on the takes, `exact`: all tried.
    `p_units`: of these; where votes point to a side, `p_listeners` over listeners and `p_both` over
    both at once, and `p` is the largest of the three."""

    statistic: float | None
    p: float | None
    p_holm: float | None
    least_p: float | None
    labelings: int | None
    exact: bool | None
    p_units: float | None = None
    p_listeners: float | None = None
    p_both: float | None = None


@dataclass(frozen=True)
class TakeVotes:
    """Votes on a take: pairs with it told apart, or, where votes point to one, that it won."""

    take: str
    count: int
    trials: int


@dataclass(frozen=True)
class AnytimeDifference:
    """Question against retakes at any look, in blocks of one vote of each."""

    blocks: int
    one_right: int
    across_right: int
    e_value: float
    p_anytime: float


@dataclass(frozen=True)
class ExcerptVotes:
    """Votes on one excerpt: right ones, or for the later condition. `share_…`: who hear, as if they
    always did; the limits of all excerpts hold together."""

    excerpt: str
    count: int
    votes: int
    listeners: int
    share_estimate: float | None = None
    share_lower: float | None = None
    share_upper: float | None = None


@dataclass(frozen=True)
class StratumVotes:
    """`count` of `votes` were right, or for the later condition."""

    label: str
    count: int
    votes: int


@dataclass(frozen=True)
class Worths:
    """Log worths, mean 0, by take id and by condition; `position_one`, `tie`: log odds."""

    takes: dict[str, float]
    conditions: tuple[float, ...]
    position_one: float | None
    tie: float | None = None


@dataclass(frozen=True)
class Likings:
    """How far listeners differ in what they like. `interval`: its upper end None without one.
    `own_favourite`: share of choices for it between two that the panel likes alike."""

    sd_log_worth: float
    interval: tuple[float, float | None]
    own_favourite: float
    own_favourite_interval: Span


@dataclass(frozen=True)
class RankedPair:
    """Two conditions by label; `difference` of their scores; `apart`: the order is shown."""

    higher: str
    lower: str
    difference: float
    interval: OpenSpan | None
    log_worth: float | None
    log_worth_interval: OpenSpan | None
    p: float
    apart: bool


@dataclass(frozen=True)
class Ranking:
    """Conditions in order, by label, with the shares of comparisons that each won."""

    order: tuple[str, ...]
    scores: tuple[float, ...]
    intervals: tuple[Span | None, ...]
    log_worths: tuple[float, ...] | None
    alpha: float
    least_p: float
    listeners: Likings | None
    pairs: tuple[RankedPair, ...]


@dataclass(frozen=True)
class DoseResponse:
    """The curve over a dose, or the `reason` for none.

    `slope`, `interval`: d′ ("dprime") or log odds ("log_odds") per unit of the declared scale;
    `over_range`: estimate and interval from the lowest dose to the highest. `points`: dose, share
    right (or choosing the higher dose) against the lowest, and the band's ends.
    """

    of: str
    scale: str
    confidence: float
    slope: float | None
    interval: Span | None
    over_range: tuple[float, float, float] | None
    points: tuple[tuple[float, float, float, float], ...] | None
    reason: Remark | None


@dataclass(frozen=True)
class Rates:
    """How often pairs of two takes and of one take twice were called different; τ: criterion."""

    hits: int
    different_trials: int
    hit_rate: float | None
    hit_interval: Span | None
    false_alarms: int
    same_trials: int
    false_alarm_rate: float | None
    false_alarm_interval: Span | None
    within_called_different: int
    within_different_trials: int
    tau: float | None


@dataclass(frozen=True)
class Divided:
    """Whether listeners differ in how they lean: against one common coin, against relabelling."""

    spread: float
    p_listeners: float
    p_labels: float
    p_holm: float | None


@dataclass(frozen=True)
class QuestionNumbers:
    """What only questions have. `within_…`: pairs of takes of one condition. `p_heard`: the larger
    of the p against chance and of attribution, `p_heard_holm` over the questions, which decides.
    `barrier`: what rules out a claim about the change. `dprime_of`: whose d′ it is (see
    panel.analysis.sizes)."""

    conditions: tuple[ConditionTakes, ...]
    within_right: int | None
    within_trials: int
    within_share: float | None
    within_p: float | None
    p_heard: float | None
    p_heard_holm: float | None
    barrier: str | None
    attribution: Attribution
    takes: tuple[TakeVotes, ...]
    dprime: float | None
    dprime_of: str | None
    dprime_interval: OpenSpan | None
    listener_sd: float | None
    take_sd: float | None
    excerpt_sd: float | None
    model_message: Remark | None
    anytime_difference: AnytimeDifference | NotTold | None = None
    given: tuple[str, ...] = ()
    cells: tuple[tuple[int, ...], ...] = ()
    by_stratum: tuple[StratumVotes, ...] = ()
    by_excerpt: tuple[ExcerptVotes, ...] = ()
    worths: Worths | NotTold | None = None
    ranking: Ranking | None = None
    dose_response: DoseResponse | None = None
    rates: Rates | None = None
    neither: int | None = None
    divided: Divided | NotTold | None = None


@dataclass(frozen=True)
class Numbers:
    """Every number behind a contrast; None where none is warranted.

    `share_right` is the mean over listeners of their own shares, and `interval` is for it; the
    other `share_…` are of listeners who hear, as if they always did, and of the same mean.
    `control_rates`: of a free-standing control whose trials are of both kinds.
    """

    chance: float
    share_right: float | None
    interval: Span | None
    p_chance: float | None
    p_chance_holm: float | None
    e_value: float | None
    p_anytime: float | None
    listeners: int
    votes_cast: int
    votes_planned: int
    share_estimate: float | None
    share_upper: float | None
    share_lower: float | None
    confidence_sequence: Span | None = None
    question: QuestionNumbers | None = field(default=None, metadata=FLAT)
    control_rates: Rates | None = None

    @property
    def barrier(self) -> str | None:
        return self.question.barrier if self.question else None

    @property
    def rates(self) -> Rates | None:
        return self.question.rates if self.question else self.control_rates


@dataclass(frozen=True)
class ContrastVerdict:
    """One contrast. `verdict`: its code (see panel.analysis.decision.rule).

    `correct` of `trials`: right answers, or votes for the later condition; None where neither can
    be counted. `ties`: votes for neither, beside `trials`. `audible_elsewhere`: another answer to
    the same conditions shows that they are told apart. `scope`: what a claim of a question speaks
    of (see panel.study.sampling); `specimens`: how many there are, by condition.
    """

    id: str
    name: str
    role: str
    procedure: str
    verdict: str
    reasons: tuple[Remark, ...]
    next: tuple[Remark, ...]
    correct: int | None
    trials: int
    numbers: Numbers
    beats_chance: bool
    ties: int = 0
    audible_elsewhere: bool = False
    scope: str | None = None
    specimens: tuple[int, ...] = ()

    @property
    def claimed(self) -> bool:
        return self.verdict in CLAIMED


@dataclass(frozen=True)
class Proportion:
    """`chance`: what a listener without a leaning gives; only where that is asked."""

    count: int
    trials: int
    share: float
    interval: Span
    chance: float | None = None


@dataclass(frozen=True)
class Repeats:
    """The same pair, excerpt and question met again: answers as before, of those compared."""

    same: int
    compared: int


@dataclass(frozen=True)
class Sensitivity:
    """d′ of one listener in one question."""

    value: float | None
    interval: OpenSpan


@dataclass(frozen=True)
class Known:
    """What the listeners' table and the plan tell of a listener, beside the votes."""

    finished: bool
    counts: bool
    headphone_check: str
    planted: Proportion | None


@dataclass(frozen=True)
class Reliability:
    """One listener, by random code. `side`: how often the first sample was named; `dprime` by
    question id; medians over votes, None without any."""

    listener: str
    votes: int
    side: Proportion | None
    repeats: Repeats | None
    seconds_median: float | None
    plays_median: float | None
    dprime: dict[str, Sensitivity]
    known: Known | None = field(default=None, metadata=FLAT)


@dataclass(frozen=True)
class Change:
    """What the code becomes when one listener, excerpt or take is left out."""

    kind: str
    left_out: str
    verdict: str


@dataclass(frozen=True)
class ContrastLeftOut:
    """`tried`: how many of each kind were left out in turn."""

    id: str
    tried: dict[str, int]
    changes: tuple[Change, ...]


@dataclass(frozen=True)
class LeftOut:
    """`present`: how many listeners, excerpts and takes there are."""

    present: dict[str, int]
    tried: dict[str, int]
    contrasts: tuple[ContrastLeftOut, ...]


@dataclass(frozen=True)
class Across:
    """Spreads over `questions` (ids) that share a curve, in d′; None where not told. `p`: of no
    spread from question to question."""

    questions: tuple[str, ...]
    listener_sd: float | None
    by_question_sd: float | None
    p: float | None
    message: Remark


@dataclass(frozen=True)
class WithdrawnListeners:
    """How many withdrew: with answers `kept` without a name, or `removed`, so many answers."""

    kept: int
    removed: int
    answers_removed: int


@dataclass(frozen=True)
class Verdict:
    """What the votes of a study say by the plan's rule."""

    plan_sha256: str
    votes: int
    listeners: int
    excluded: Excluded
    contrasts: tuple[ContrastVerdict, ...]
    reliability: tuple[Reliability, ...]
    left_out: LeftOut
    limits: tuple[Remark, ...]
    listeners_across: tuple[Across, ...] = ()
    withdrawn: WithdrawnListeners | None = None

    def contrast(self, id_: str) -> ContrastVerdict:
        return next(entry for entry in self.contrasts if entry.id == id_)

    def document(self) -> dict[str, Json]:
        """The verdict as plain JSON."""
        entries = written(self)
        assert isinstance(entries, dict)
        return {"format": FORMAT, **entries}


def read_verdict(document: Json) -> Verdict:
    """A verdict from its document. Raises BadInput, with the path, for what is missing, wrong or
    not known."""
    root = Entry(document, "verdict", AS_KEPT)
    found = root.get("format").value
    if found != FORMAT:
        raise root.refuse(f"its format is {found!r}, where {FORMAT} is expected")
    assert isinstance(document, dict)
    rest: Json = {key: value for key, value in document.items() if key != "format"}
    return read(Verdict, Entry(rest, "verdict", AS_KEPT))
