"""How often the verdict is wrong, by simulation through the very same code.

    python tests/bench/validity.py --list
    python tests/bench/validity.py --only "false heard" --first 0 --runs 50 --into slices.jsonl
    python tests/bench/validity.py --table slices.jsonl [more.jsonl …] [--anew]
    python tests/bench/validity.py --page

with PYTHONPATH=tests/study, where its studies are made.

A cell is one truth: takes that differ by themselves (spread in d′), a change that does something
or nothing, listeners who hear or do not (sensitivities log-normal, spread 0.5). The plan's schedule
is dealt out, by 16 seeds in turn, and the votes go through panel.design.power.simulate.judged, that
decides as the verdict does (tests/design/power/test_simulate.py holds it to the table of votes).

Run r of a cell draws from a stream of its own, so slices of runs can be made apart, on any machine,
and added up: `--table` adds them to validity.csv, refuses slices that overlap, and makes
VALIDITY.md from it. A run may be counted out (an interval that was not given cannot miss), so runs
and counted runs differ.
"""

import argparse
import json
import math
import time
import zlib
from collections import defaultdict
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import made_studies as made
import numpy as np
import validity_table as table

from panel.analysis import sizes
from panel.analysis.counts import anytime, anytime_difference, shares
from panel.analysis.preference import listener_worths
from panel.design.power.simulate import Truth, answered, dealt_out, judged
from panel.errors import BadInput
from panel.procedures.catalogue import PROCEDURES
from panel.procedures.curves import CURVES
from panel.study.plan_reading import read_plan

LARGE, SMALL = (40, 24), (16, 12)  # listeners × votes
SCHEDULES = 16
HEARD = frozenset({"heard", "preferred"})
STRICT = {"planted_least_right": 3, "headphones": "record"}


@dataclass(frozen=True)
class Drawn:
    """Did it happen in run r? None: not counted. The draws of run r begin with [stream, r]."""

    stream: int
    hit: Callable[[int], bool | None]

    def __call__(self, run: int) -> bool | None:
        return self.hit(run)


@dataclass(frozen=True)
class Cell:
    """One truth. `hit(run)`: did the thing happen that the heading counts? None: not counted.

    `weight`: runs of this cell for each run asked for, where runs are dear or cheap.
    """

    heading: str
    label: str
    hit: Drawn
    weight: float = 1.0

    @property
    def name(self) -> str:
        return f"{self.heading}: {self.label}"


class Study:
    """A plan, dealt out when it is first needed, and its simulated runs."""

    def __init__(self, questions, size, *, check=True, exclusion=None, kind="fixed"):
        planted = [made.check()] if check else []
        self.document = made.plan(
            *questions, *planted, listeners=size[0], kind=kind, exclusion=exclusion
        )

    @cache  # noqa: B019 (a study lives as long as the program)
    def dealt(self, schedule):
        document = self.document | {"schedule_seed": f"{schedule:032x}"}
        plan = read_plan(document)
        return plan, dealt_out(plan)

    def stream(self, truth) -> int:
        """The cell's own number: cells of unlike studies or truths do not share their luck."""
        of = asdict(truth) | {"nil": sorted(truth.nil)}
        return zlib.crc32(json.dumps([self.document, of], sort_keys=True).encode())

    def answers(self, run, truth):
        # A plan draws its schedule, and what is exact is exact over schedules.
        plan, asked = self.dealt(run % SCHEDULES)
        rng = np.random.default_rng([self.stream(truth), run])
        return plan, asked, next(answered(rng, plan, asked, truth, runs=1)), rng

    def at_end(self, wanted, truth, *ids) -> Drawn:
        """Has one of the contrasts `ids` (q1 if none) a wanted code at the end?"""

        def hit(run: int) -> bool:
            plan, asked, answers, _ = self.answers(run, truth)
            codes = judged(plan, asked, answers)
            return any(codes[id_].code in wanted for id_ in ids or ("q1",))

        return Drawn(self.stream(truth), hit)

    def at_looks(self, wanted, truth, pattern, of="q1") -> Drawn:
        """Has the contrast `of` a wanted code at any look? Looks as `pattern` puts them."""

        def hit(run: int) -> bool:
            plan, asked, answers, rng = self.answers(run, truth)
            last = max(int(a.sequence[-1]) for a in asked)
            looks = {
                "each vote": range(1, last + 1),
                "every 10 votes": [*range(10, last, 10), last],
                "10 at random": sorted(rng.integers(1, last + 1, 10).tolist()),
            }[pattern]
            return any(
                judged(plan, asked, answers, until=look)[of].code in wanted for look in looks
            )

        return Drawn(self.stream(truth), hit)

    def at_any_vote(self, truth) -> Drawn:
        """Has the test against chance that is valid at every look rejected at any vote so far?"""

        def hit(run: int) -> bool:
            plan, asked, answers, _ = self.answers(run, truth)
            return judged(plan, asked, answers)["q1"].evidence.asked.p_anytime <= plan.alpha

        return Drawn(self.stream(truth), hit)


def question(id_, procedure, takes, votes, **more):
    return made.contrast(id_, procedure, takes, votes=votes, **more)


def one(procedure, takes, size, **more) -> Study:
    return Study([question("q1", procedure, takes, size[1])], size, **more)


def taken(takes) -> str:
    return f"{' + '.join(map(str, takes))} takes"


def share_misses(seed, listeners, votes, share, *, looked_at) -> Drawn:
    """Is the 95 % upper bound on the mean ever under it? Hearers are right in 98 %.

    `looked_at`: the bound that is valid at every look, looked at after each listener.
    """
    mean = 0.5 + share * 0.48

    def hit(run: int) -> bool:
        rng = np.random.default_rng([seed, run])
        hears = rng.random(listeners) < share
        scores = rng.binomial(votes, np.where(hears, 0.98, 0.5)) / votes
        if not looked_at:
            return bool(shares.mean_upper(scores) < mean)
        return any(
            shares.mean_under(scores[:n], mean, 0.95, anytime=True) for n in range(1, listeners + 1)
        )

    return Drawn(seed, hit)


def interval_misses(seed, listeners, votes, hearing, *, dprime=1.5) -> Drawn:
    """Is the true mean share outside the 95 % interval for it? Listeners log-normal in d′."""
    points = np.random.default_rng(0).standard_normal(400_000)
    mean = 0.5 + hearing * (CURVES["abx"].probability(dprime * np.exp(0.5 * points)).mean() - 0.5)

    def hit(run: int) -> bool:
        rng = np.random.default_rng([seed, run])
        keen = dprime * np.exp(0.5 * rng.standard_normal(listeners))
        keen *= rng.random(listeners) < hearing
        low, high = shares.mean_interval(
            rng.binomial(votes, CURVES["abx"].probability(keen)) / votes
        )
        return not low <= mean <= high

    return Drawn(seed, hit)


def dprime_misses(study: Study, truth: Truth, of: str) -> Drawn:
    """Is the typical listener's d′ outside the interval told of it? None where not told of it.

    With `of` MEAN_SHARE: the d′ of the mean share, by the same curve.
    """
    points = np.random.default_rng(0).standard_normal(400_000)
    procedure = study.document["contrasts"][0]["procedure"]
    curve = PROCEDURES[procedure].curve
    target = truth.dprime
    if of == sizes.MEAN_SHARE:
        heard = curve.probability(truth.dprime * np.exp(truth.listener_spread * points)).mean()
        share = truth.hearing * heard + (1 - truth.hearing) * curve.chance
        target = float(curve.dprime(share))

    def hit(run: int) -> bool | None:
        plan, asked, answers, _ = study.answers(run, truth)
        found = judged(plan, asked, answers)["q1"].evidence
        size = sizes.of_question(found, plan.alpha, plan.confidence)
        if size.interval is None or size.of != of:
            return None
        return not size.interval[0] - 1e-9 <= target <= size.interval[1] + 1e-9

    return Drawn(study.stream(truth), hit)


def likings_miss(seed, listeners, votes, spread) -> Drawn:
    """Is the listeners' spread of log worths outside the interval for it? Three conditions of three
    takes; None where takes only ever win or lose."""
    labels = np.repeat(np.arange(3), 3)

    def hit(run: int) -> bool | None:
        rng = np.random.default_rng([seed, run])
        worth = rng.normal(0, 0.2, labels.size) + 0.3 * labels
        own = worth + rng.normal(0, spread, (listeners, 3))[:, labels]
        pairs = np.array([rng.choice(9, 2, replace=False) for _ in range(listeners * votes)])
        who = np.repeat(np.arange(listeners), votes)
        apart = own[who, pairs[:, 1]] - own[who, pairs[:, 0]]
        said = (rng.random(who.size) < 1 / (1 + np.exp(-apart))).astype(int)
        try:
            found = listener_worths.fit(pairs[:, 0], pairs[:, 1], said, who, labels)
        except BadInput:
            return None
        return not found.interval[0] <= spread <= found.interval[1]

    return Drawn(seed, hit)


def sequence_misses(seed, share, votes) -> Drawn:
    """Does the confidence sequence ever leave the true share, looked at after every vote?"""

    def hit(run: int) -> bool:
        rng = np.random.default_rng([seed, run])
        x = np.cumsum(rng.random(votes) < share)
        path = anytime.log_e_values_two_sided(x, np.arange(1, votes + 1), share)
        return bool(np.any(path >= -math.log(0.05)))

    return Drawn(seed, hit)


def difference_claimed(seed, listeners, blocks) -> Drawn:
    """Are pairs across ever claimed to be told apart more often than retakes, at any vote?

    Each listener is right on both kinds with one probability of his own, from 1/2 to 1.
    """

    def hit(run: int) -> bool:
        rng = np.random.default_rng([seed, run])
        votes = [
            (who, bool(across), bool(rng.random() < right))
            for who, right in enumerate(rng.uniform(0.5, 1.0, listeners))
            for across in rng.permutation(np.repeat([True, False], blocks))
        ]
        return anytime_difference.compare(votes).p_anytime <= 0.05

    return Drawn(seed, hit)


def false_heard() -> list[Cell]:
    out = []
    for procedure in ("abx", "triangle", "attribute", "preference"):
        size = LARGE if procedure in ("abx", "triangle") else SMALL
        for takes in ((4, 4), (5, 5)):
            study = one(procedure, takes, size)
            for spread in (0.0, 0.25, 0.5, 1.0):
                out.append(
                    Cell(
                        "false heard",
                        f"{procedure}, {taken(takes)}, {size[0]} × {size[1]}, take spread "
                        f"{spread:g}",
                        study.at_end(HEARD, Truth(0.0, take_spread=spread)),
                    )
                )
    for procedure, takes, size, more in (
        ("duo_trio", (4, 4), LARGE, {}), ("duo_trio", (5, 5), LARGE, {}),
        ("tetrad", (4, 4), LARGE, {}), ("tetrad", (5, 5), LARGE, {}),
        ("same_different", (4, 4), LARGE, {}), ("same_different", (5, 5), LARGE, {}),
        ("reminder", (4, 4), SMALL, {}), ("reminder", (5, 5), SMALL, {}),
        ("preference", (4, 4), SMALL, {"ties": True}),
        ("preference", (5, 5), SMALL, {"ties": True}),
    ):  # fmt: skip
        study = Study([question("q1", procedure, takes, size[1], **more)], size)
        named = f"{procedure}, “no preference” allowed" if more else procedure
        for spread in (0.0, 0.25, 0.5, 1.0):
            out.append(
                Cell(
                    "false heard",
                    f"{named}, {taken(takes)}, {size[0]} × {size[1]}, take spread {spread:g}",
                    study.at_end(HEARD, Truth(0.0, take_spread=spread)),
                )
            )
    for takes in ((4, 4), (5, 5), (3, 3, 3), (4, 4, 4)):
        study = one("preference", takes, (16, 18))
        for spread in (0.0, 0.5, 1.0):
            truth = Truth(0.0, take_spread=spread)
            label = f"preference, {taken(takes)}, 16 × 18, take spread {spread:g}"
            if len(takes) > 2:
                out.append(Cell("false heard", label, study.at_end(HEARD, truth)))
            out.append(Cell("falsely called divided", label, study.at_end({"divided"}, truth)))
    for listeners in (12, 40, 200):
        study = one("abx", (5, 5), (listeners, 16))
        for hearing in (0.1, 0.3, 1.0):
            for spread in (0.5, 1.0):
                out.append(
                    Cell(
                        "false heard",
                        f"abx, 5 + 5 takes, {listeners} × 16, {hearing:.0%} hear, take spread "
                        f"{spread:g}",
                        study.at_end(HEARD, Truth(0.0, hearing, spread)),
                    )
                )
        out.append(
            Cell(
                "false heard",
                f"abx, 5 + 5 takes, {listeners} × 16, nobody hears anything",
                study.at_end(HEARD, Truth(0.0, 0.0)),
            )
        )
    for procedure in ("triangle", "attribute"):
        study = one(procedure, (5, 5), (200, 16))
        for spread in (0.25, 1.0):
            out.append(
                Cell(
                    "false heard",
                    f"{procedure}, 5 + 5 takes, 200 × 16, take spread {spread:g}",
                    study.at_end(HEARD, Truth(0.0, take_spread=spread)),
                    0.5,
                )
            )
    return out


def several_questions() -> list[Cell]:
    out = []
    for count, takes in ((2, (5, 5)), (3, (5, 5)), (3, (6, 6))):
        ids = [f"q{i + 1}" for i in range(count)]
        study = Study([question(i, "abx", takes, 16) for i in ids], (40, 16))
        for spread in (0.25, 1.0):
            out.append(
                Cell(
                    "any of the questions falsely heard",
                    f"{count} × abx, {taken(takes)}, 40 × 16 each, take spread {spread:g}",
                    study.at_end(HEARD, Truth(0.0, take_spread=spread), *ids),
                    0.5,
                )
            )
        out.append(
            Cell(
                "any of the questions falsely heard",
                f"{count} × abx, {taken(takes)}, 40 × 16 each, q1 true (d′ 2.5), take spread 0.25",
                study.at_end(HEARD, Truth(2.5, nil=frozenset(ids[1:])), *ids[1:]),
                0.5,
            )
        )
    ids = ["q1", "q2", "q3"]
    study = Study([question(i, "attribute", (5, 5), 12) for i in ids], SMALL)
    out.append(
        Cell(
            "any of the questions falsely heard",
            "3 × attribute, 5 + 5 takes, 16 × 12 each, take spread 0.5",
            study.at_end(HEARD, Truth(0.0, take_spread=0.5), *ids),
            0.5,
        )
    )
    return out


def dose_trends() -> list[Cell]:
    out = []
    for procedure, size in (("abx", (40, 24)), ("attribute", SMALL)):
        for takes, doses in (
            ((3, 3, 3), [0.0, 10.0, 30.0]),
            ((2, 2, 2, 2), [0.0, 3.0, 10.0, 30.0]),
        ):
            study = Study(
                [question("q1", procedure, takes, size[1], doses=doses, scale="log1p")], size
            )
            for spread in (0.25, 1.0):
                out.append(
                    Cell(
                        "false heard, dose trend",
                        f"{procedure}, {taken(takes)} over {len(doses)} doses, {size[0]} × "
                        f"{size[1]}, take spread {spread:g}",
                        study.at_end(HEARD, Truth(0.0, take_spread=spread)),
                        0.5,
                    )
                )
    return out


def looks() -> list[Cell]:
    out = []
    told = frozenset({"recordings_differ", "rerecording_too", "heard"})
    for label, exclusion, truth in (
        ("nobody hears anything", None, Truth(0.0, 0.0)),
        ("nobody hears, only listeners with 3 of 4 checks right count", STRICT,
         Truth(0.0, 0.0, check_dprime=2.0)),
    ):  # fmt: skip
        small = one("abx", (1, 1), (12, 8), kind="anytime", exclusion=exclusion)
        large = one("abx", (1, 1), (40, 16), kind="anytime", exclusion=exclusion)
        for study, size in ((small, "12 × 8"), (large, "40 × 16")):
            out.append(
                Cell(
                    "chance rejected at any vote though nobody hears",
                    f"abx, one take a side, {size}; {label}",
                    study.at_any_vote(truth),
                    2.0,
                )
            )
        for pattern, study, size, weight in (
            ("each vote", small, "12 × 8", 0.75),
            ("every 10 votes", large, "40 × 16", 0.75),
            ("10 at random", large, "40 × 16", 1.5),
        ):
            out.append(
                Cell(
                    "told apart at any look though nobody hears",
                    f"abx, one take a side, {size}, looked at {pattern}; {label}",
                    study.at_looks(told, truth, pattern),
                    weight,
                )
            )
    for takes, spread in (((5, 5), 0.5), ((5, 5), 1.0)):
        study = one("abx", takes, (40, 16), kind="anytime")
        out.append(
            Cell(
                "false heard",
                f"anytime, abx, {taken(takes)}, 40 × 16, looked at every 10 votes, take spread "
                f"{spread:g}",
                study.at_looks(HEARD, Truth(0.0, take_spread=spread), "every 10 votes"),
                0.5,
            )
        )
    for pattern, listeners, hearing in (
        ("each vote", 12, 0.3), ("every 10 votes", 40, 0.3), ("10 at random", 40, 0.3),
        ("every 10 votes", 40, 0.26),
    ):  # fmt: skip
        study = one("abx", (1, 1), (listeners, 16), kind="anytime")
        out.append(
            Cell(
                "false not heard",
                f"anytime, abx, {listeners} × 16, {hearing:.0%} always hear, limit 25 %, looked at "
                f"{pattern}",
                study.at_looks(
                    {"not_heard"}, Truth(12.0, hearing, 0.0, 0.0, check_dprime=12.0), pattern
                ),
                0.5,
            )
        )
    return out


def controls() -> list[Cell]:
    """Retake controls asked for by themselves: said to be heard, though all takes are one."""
    out = []
    for procedure, size in (("abx", (40, 16)), ("attribute", (40, 16))):
        for kind in ("fixed", "anytime"):
            asked = question("q1", procedure, (1, 1), 8)
            free = question("r1", procedure, (1, 1), 8, role="retake_control")
            study = Study([asked, free], size, kind=kind)
            truth = Truth(0.0, take_spread=0.0)
            looked = "" if kind == "fixed" else ", looked at every 10 votes"
            out.append(
                Cell(
                    "false heard of a retake control",
                    f"{'anytime, ' if looked else ''}{procedure}, two takes, 40 × 8{looked}",
                    study.at_end(HEARD, truth, "r1")
                    if kind == "fixed"
                    else study.at_looks(HEARD, truth, "every 10 votes", "r1"),
                    1.0 if kind == "fixed" else 0.5,
                )
            )
    return out


def false_not_heard() -> list[Cell]:
    out = []
    for listeners in (12, 40, 200):
        for procedure in ("abx", "triangle", "tetrad"):
            study = one(procedure, (1, 1), (listeners, 16))
            for hearing in (0.26, 0.3):
                out.append(
                    Cell(
                        "false not heard",
                        f"{procedure}, {listeners} × 16, {hearing:.0%} always hear, limit 25 %",
                        study.at_end({"not_heard"}, Truth(12.0, hearing, 0.0, 0.0)),
                    )
                )
    study = one("preference", (1, 1), (40, 16))
    out.append(
        Cell(
            "false no preference",
            "preference, 40 × 16, 26 % always choose one side, limit 25 %",
            study.at_end({"no_preference"}, Truth(12.0, 0.26, 0.0, 0.0)),
            0.25,
        )
    )
    return out


def intervals() -> list[Cell]:
    out = []
    for looked_at in (False, True):
        for listeners in (12, 40, 200):
            for votes in (4, 16):
                for share in (0.1, 0.3, 1.0):
                    out.append(
                        Cell(
                            "bound on the share ever misses, a look after each listener"
                            if looked_at
                            else "bound on the share misses",
                            f"{'anytime' if looked_at else 'planned end'}, {listeners} × {votes}, "
                            f"{share:.0%} hear",
                            share_misses(6, listeners, votes, share, looked_at=looked_at),
                            0.5 if listeners == 200 and looked_at else 4.0,
                        )
                    )
    for listeners in (12, 40, 200):
        for hearing in (0.0, 0.1, 0.3, 1.0):
            out.append(
                Cell(
                    "interval of the mean share misses",
                    f"planned end, {listeners} × 16, {hearing:.0%} hear d′ 1.5",
                    interval_misses(7, listeners, 16, hearing),
                    2.0,
                )
            )
    for listeners in (12, 40):
        for spread in (0.0, 0.5, 1.5):
            out.append(
                Cell(
                    "interval of listeners' spread of likings misses",
                    f"3 conditions, {listeners} × 20, spread {spread:g} in log worth",
                    likings_miss(19, listeners, 20, spread),
                    0.5,
                )
            )
    for share in (0.5, 0.6, 0.75, 0.9):
        out.append(
            Cell(
                "confidence sequence ever misses",
                f"share {share:g}, every vote to 1,000",
                sequence_misses(8, share, 1000),
                10.0,
            )
        )
    for procedure, size, dprime in (
        ("abx", (12, 16), 2.0), ("abx", (40, 16), 1.5), ("abx", (40, 16), 2.5),
        ("abx", (200, 8), 2.0), ("triangle", (40, 16), 2.0),
        ("tetrad", (40, 16), 2.0),
    ):  # fmt: skip
        out.append(
            Cell(
                "interval of the typical listener's d′ misses",
                f"{procedure}, one take a side, {size[0]} × {size[1]}, all hear d′ {dprime:g}",
                dprime_misses(
                    one(procedure, (1, 1), size), Truth(dprime, take_spread=0.0), sizes.TYPICAL
                ),
                0.5,
            )
        )
    for procedure, takes, dprime, spread in (
        ("abx", 4, 2.0, 0.25), ("abx", 5, 2.0, 0.5), ("triangle", 5, 2.0, 0.25),
        ("attribute", 4, 1.0, 0.25), ("attribute", 5, 1.0, 0.5),
    ):  # fmt: skip
        out.append(
            Cell(
                "interval of the typical listener's d′ misses",
                f"{procedure}, {takes} + {takes} takes, 40 × 16, all hear d′ {dprime:g}, take "
                f"spread {spread:g}",
                dprime_misses(
                    one(procedure, (takes, takes), (40, 16)),
                    Truth(dprime, take_spread=spread),
                    sizes.TYPICAL,
                ),
                0.5,
            )
        )
    for procedure, size, dprime, hearing in (
        ("abx", (12, 16), 0.0, 0.0), ("abx", (40, 16), 0.0, 0.0), ("abx", (40, 8), 1.0, 0.3),
        ("attribute", (12, 16), 1.0, 0.3), ("attribute", (12, 16), 1.0, 1.0),
        ("attribute", (40, 16), 1.0, 0.3), ("attribute", (40, 16), 1.0, 1.0),
    ):  # fmt: skip
        out.append(
            Cell(
                "interval of the mean share's d′ misses",
                f"{procedure}, one take a side, {size[0]} × {size[1]}, {hearing:.0%} hear d′ "
                f"{dprime:g}",
                dprime_misses(
                    one(procedure, (1, 1), size),
                    Truth(dprime, hearing, take_spread=0.0),
                    sizes.MEAN_SHARE,
                ),
            )
        )
    for listeners in (12, 40, 200):
        out.append(
            Cell(
                "across claimed to exceed retakes at any vote",
                f"abx, {listeners} × 16, each listener equally right on both",
                difference_claimed(10, listeners, 8),
                2.0,
            )
        )
    return out


def power() -> list[Cell]:
    out = []
    for procedure, size in (("abx", LARGE), ("attribute", SMALL)):
        out.append(
            Cell(
                "chance beaten by one file a side, no change",
                f"{procedure}, {size[0]} × {size[1]}, take spread 0.5",
                one(procedure, (1, 1), size).at_end(
                    {"recordings_differ"}, Truth(0.0, take_spread=0.5)
                ),
            )
        )
    for procedure, takes, size, effect, spread in (
        ("abx", (4, 4), LARGE, 1.5, 0.25), ("abx", (5, 5), LARGE, 1.5, 0.5),
        ("attribute", (4, 4), SMALL, 1.0, 0.1), ("attribute", (5, 5), SMALL, 1.0, 0.25),
        ("preference", (5, 5), LARGE, 0.5, 0.1),
    ):  # fmt: skip
        out.append(
            Cell(
                "power",
                f"{procedure}, {taken(takes)}, {size[0]} × {size[1]}, d′ {effect:g}, take spread "
                f"{spread:g}",
                one(procedure, takes, size).at_end(HEARD, Truth(effect, take_spread=spread)),
                0.25 if procedure == "preference" else 1.0,
            )
        )
    for size in ((24, 16), (40, 16)):
        out.append(
            Cell(
                "true not heard",
                f"abx, 4 + 4 takes, {size[0]} × {size[1]}, nobody hears, limit 25 %",
                one("abx", (4, 4), size).at_end({"not_heard"}, Truth(0.0, 0.0)),
            )
        )
    return out


def cells() -> list[Cell]:
    return [
        *false_heard(), *several_questions(), *dose_trends(), *looks(), *controls(),
        *false_not_heard(), *intervals(), *power(),
    ]  # fmt: skip


def run_slice(wanted: list[Cell], first: int, runs: int, into: Path | None) -> None:
    for cell in wanted:
        begun = time.process_time()
        begin = round(first * cell.weight)
        told = [cell.hit(run) for run in range(begin, round((first + runs) * cell.weight))]
        counted = [bool(hit) for hit in told if hit is not None]
        record = {
            "cell": cell.name,
            "stream": cell.hit.stream,
            "first": begin,
            "runs": len(told),
            "counted": len(counted),
            "hits": sum(counted),
            "seconds": round(time.process_time() - begun, 1),
        }
        print(json.dumps(record, ensure_ascii=False), flush=True)
        if into is not None:
            with into.open("a") as lines:
                lines.write(json.dumps(record, ensure_ascii=False) + "\n")


def sliced(files: list[Path]) -> dict[str, list[table.Row]]:
    """The slices in the files, by the cell's name."""
    told = f"run by this bench, added up on {datetime.now(UTC):%Y-%m-%d}"
    found: dict[str, list[table.Row]] = defaultdict(list)
    known = {cell.name: cell for cell in cells()}
    for file in files:
        for text in file.read_text(encoding="utf-8").splitlines():
            record = json.loads(text)
            cell = known.get(record["cell"])
            if cell is None:
                raise SystemExit(f"{file}: the bench has no cell “{record['cell']}” any more.")
            found[cell.name].append(
                table.Row(
                    cell.heading,
                    cell.label,
                    record["hits"],
                    record["counted"],
                    record["runs"],
                    record["stream"],
                    ((record["first"], record["runs"]),),
                    told,
                )
            )
    return found


def add_to_table(files: list[Path], *, anew: bool) -> None:
    """Slices added to validity.csv, rows in the order of the cells; and the page made from it."""
    rows = table.read(table.CSV)
    more = sliced(files)
    merged = {name: table.added(rows.get(name), slices, anew=anew) for name, slices in more.items()}
    rows = {**rows, **merged}
    kept = [rows[cell.name] for cell in cells() if cell.name in rows]
    table.CSV.write_text(table.written(kept), encoding="utf-8")
    write_page()


def write_page() -> None:
    table.PAGE.write_text(table.page(table.read(table.CSV).values()), encoding="utf-8")


def main() -> None:
    asked = argparse.ArgumentParser(description="How often the verdict is wrong.")
    asked.add_argument("--list", action="store_true", help="print the cells' names and stop")
    asked.add_argument("--only", default="", help="cells whose name has this text in it")
    asked.add_argument("--first", type=int, default=0, help="number of the first run")
    asked.add_argument("--runs", type=int, default=200, help="runs a cell in this slice")
    asked.add_argument("--into", type=Path, help="file to append the slice to, a line a cell")
    asked.add_argument("--table", type=Path, nargs="+", help="add slices to the table")
    asked.add_argument("--anew", action="store_true", help="replace the rows that slices are for")
    asked.add_argument("--page", action="store_true", help="make the page from the table again")
    given = asked.parse_args()
    if given.table:
        add_to_table(given.table, anew=given.anew)
        return
    if given.page:
        write_page()
        return
    wanted = [c for c in cells() if given.only in c.name]
    if given.list:
        print("\n".join(c.name for c in wanted))
        return
    run_slice(wanted, given.first, given.runs, given.into)


if __name__ == "__main__":
    main()
