"""How a plan ends if so many can hear so much: a few truths, each simulated to the verdict.

The exact power beside it is for listeners who all hear equally well, against chance alone. Here
some hear and some do not, takes differ by themselves, and the verdict has to be reached.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from threading import Lock

import numpy as np

from panel.design.power.simulate import Truth, chances
from panel.errors import BadInput
from panel.study.plan import Plan

RUNS = 400
MOST_VOTES = 20_000  # of one simulated study
TAKE_SPREAD = 0.25
TRUTHS = (
    Truth(2.0, 1.0, TAKE_SPREAD),
    Truth(1.0, 1.0, TAKE_SPREAD),
    Truth(2.0, 0.3, TAKE_SPREAD),
    Truth(1.0, 0.3, TAKE_SPREAD),
    Truth(0.0, 0.0, TAKE_SPREAD),
)
CLAIMED = ("heard", "preferred")
BOUNDED = ("not_heard", "no_preference")
RECORDINGS = ("recordings_differ", "rerecording_too")
KEPT = 64


@dataclass(frozen=True)
class Ending:
    """Shares of the simulated studies by what their verdict on one question claims.

    `change`: it is heard, or preferred; `bounded`: not heard, or no preference; `recordings`: these
    recordings differ, or re-recording is heard too; `none`: divided, or not enough.
    """

    dprime: float
    hearing: float
    change: float
    bounded: float
    recordings: float
    none: float


@dataclass(frozen=True)
class Prospects:
    """The endings of each question under `TRUTHS`, in their order, from `runs` studies each; the
    rest as in `Truth`."""

    questions: Mapping[str, tuple[Ending, ...]]
    runs: int
    take_spread: float
    criterion: float
    undecided: float


_found: OrderedDict[bytes, Prospects] = OrderedDict()
_lock = Lock()


def known(plan: Plan) -> Prospects | None:
    """The prospects of a plan if they were worked out before, by this process."""
    with _lock:
        return _found.get(_key(plan))


def prospects(plan: Plan, runs: int | None = None) -> Prospects:
    """Simulate a checked plan under each of `TRUTHS`; the same each time.

    Takes some seconds, and is remembered. Raises BadInput where the study is too large for a page.
    """
    key, runs = _key(plan), runs or RUNS
    with _lock:
        before = _found.get(key)
    if before is not None and before.runs == runs:
        return before
    votes = plan.votes_per_listener * plan.listeners
    if votes > MOST_VOTES:
        raise BadInput(
            f"A study of {votes:,} votes takes too long to simulate on a page.",
            hint="Go by the exact figures: with so many votes chance decides little.",
        )
    simulated = [
        (truth, chances(np.random.default_rng([20, i]), plan, truth, runs=runs))
        for i, truth in enumerate(TRUTHS)
    ]
    found = Prospects(
        questions={
            contrast.id: tuple(
                _ending(truth, counted.codes[contrast.id]) for truth, counted in simulated
            )
            for contrast in plan.questions
        },
        runs=runs,
        take_spread=TAKE_SPREAD,
        criterion=Truth.criterion,
        undecided=Truth.undecided,
    )
    with _lock:
        _found[key] = found
        while len(_found) > KEPT:
            _found.popitem(last=False)
    return found


def _ending(truth: Truth, codes: Mapping[str, float]) -> Ending:
    change, bounded, recordings = (
        sum(codes.get(code, 0.0) for code in kind) for kind in (CLAIMED, BOUNDED, RECORDINGS)
    )
    return Ending(
        truth.dprime,
        truth.hearing,
        change,
        bounded,
        recordings,
        max(0.0, 1.0 - change - bounded - recordings),
    )


def _key(plan: Plan) -> bytes:
    """The plan without its words: changing a title costs no new simulation."""
    return replace(plan, title="", question="", as_read=b"").canonical
