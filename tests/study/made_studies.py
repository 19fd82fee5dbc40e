"""Studies made up for tests: plans, and votes either simulated with a known truth or dealt out.

Invented data. Listeners, takes and positions are drawn here and nowhere near the code under test.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, zip_longest
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from vote_records import ListenerRow, Vote


def normal_cdf(x: float) -> float:
    return 0.5 * math.erfc(-x / math.sqrt(2))


def abx(d: float) -> float:
    """The differencing listener's share right (Macmillan & Creelman, Detection Theory)."""
    a, b = normal_cdf(d / math.sqrt(2)), normal_cdf(d / math.sqrt(6))
    return 1 - a - b + 2 * a * b


def triangle(d: float) -> float:
    z = np.linspace(0, 8, 801)
    inner = [
        normal_cdf(-v * math.sqrt(3) + d * math.sqrt(2 / 3))
        + normal_cdf(-v * math.sqrt(3) - d * math.sqrt(2 / 3))
        for v in z
    ]
    density = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi)
    return float(2 * np.trapezoid(np.array(inner) * density, z))


def two_afc(d: float) -> float:
    return normal_cdf(d / math.sqrt(2))


GRID = np.linspace(-12, 12, 1_201)
TABLE = {
    name: np.array([curve(float(d)) for d in GRID])
    for name, curve in (("abx", abx), ("attribute", two_afc), ("preference", two_afc))
}
TABLE["duo_trio"] = TABLE["abx"]  # one function of d′ (Ennis 1993), see VALUES of the duo-trio
# The integral on a coarser grid, once.
TABLE["triangle"] = np.interp(GRID, GRID[::20], [triangle(float(d)) for d in GRID[::20]])


def contrast(
    id_: str = "q1",
    procedure: str = "abx",
    takes: Sequence[int] = (4, 4),
    *,
    role: str = "question",
    doses: Sequence[float] | None = None,
    scale: str | None = None,
    votes: int = 16,
    prefix: str | None = None,
    **more: Any,
) -> dict[str, Any]:
    """A contrast document; its takes are named <prefix>-<condition>-<number>."""
    names = ["plain", "treated", "third", "fourth", "fifth"]
    stem = prefix or id_
    conditions = [
        {
            "label": names[i] if doses is None else f"{doses[i]:g} h",
            "dose": None if doses is None else doses[i],
            "takes": [f"{stem}-{i}-{k}" for k in range(size)],
        }
        for i, size in enumerate(takes)
    ]
    return {
        "id": id_,
        "name": f"Question {id_}",
        "role": role,
        "procedure": procedure,
        "attribute": "top end" if procedure == "attribute" else None,
        "factor": "finish",
        "scale": scale,
        "conditions": conditions,
        "level": "matched",
        "votes_per_listener": votes,
        "differs": ["finish"],
        "unlogged": [],
        "override_reason": None,
    } | more


def check(procedure: str = "abx", votes: int = 4, id_: str = "check") -> dict[str, Any]:
    made = contrast(id_, procedure, (1, 1), role="planted_check", votes=votes)
    return made | {"planted": {"kind": "shelf", "amount_db": 6.0}}


def control_of(question: dict[str, Any]) -> dict[str, Any]:
    return {
        "id": f"{question['id']}-retakes",
        "name": f"Retakes: {question['name']}",
        "role": "retake_control",
        "of": question["id"],
        "procedure": question["procedure"],
    }


def plan(
    *contrasts: dict[str, Any],
    listeners: int = 40,
    kind: str = "fixed",
    excerpts: int = 2,
    exclusion: dict[str, Any] | None = None,
    seed: str = "00" * 16,
    **more: Any,
) -> dict[str, Any]:
    """A plan document; one specimen of each condition, all takes in one session and in turns."""
    of: dict[str, str] = {}
    for c in contrasts:
        sides = [[(t, cond["label"]) for t in cond["takes"]] for cond in c.get("conditions", ())]
        for in_turn in zip_longest(*sides):
            of |= {t: f"the {label} one" for t, label in filter(None, in_turn) if t not in of}
    return {
        "format": "fair-hearing-plan/2",
        "carrier": "one bench",
        "draws": [],
        "study": {"title": "Made up", "question": "Does it matter?"},
        "alpha": 0.05,
        "limit": 0.25,
        "confidence": 0.95,
        "stop": {"kind": kind, "listeners": listeners},
        "exclusion": exclusion or {"planted_least_right": None, "headphones": "record"},
        "schedule_seed": seed,
        "factors": [
            {"id": "finish", "name": "finish", "kind": "named", "unit": "", "tolerance": 0.0},
            {"id": "hours", "name": "hours", "kind": "numeric", "unit": "h", "tolerance": 0.0},
        ],
        "takes": [
            {
                "id": t,
                "label": t,
                "sha256": "",
                "order": i,
                "log": {},
                "specimen": specimen,
                "session": "one",
            }
            for i, (t, specimen) in enumerate(of.items())
        ],
        "excerpts": [{"id": f"e{i}", "start_s": 0.0, "end_s": 5.0} for i in range(excerpts)],
        "contrasts": list(contrasts),
    } | more


class Ballot:
    """Collects votes, keeping sequence and trial numbers."""

    def __init__(self, document: dict[str, Any], rng: np.random.Generator) -> None:
        self.document, self.rng = document, rng
        self.votes: list[Vote] = []
        self.trials: dict[str, int] = {}

    def cast(
        self,
        listener: str,
        asked: dict[str, Any],
        pair: tuple[str, str],
        excerpt: str,
        outcome: bool | None,
    ) -> None:
        """One vote. `outcome`: right; for directed procedures, pair[1] is chosen; None: neither."""
        rng, procedure = self.rng, asked["procedure"]
        words = ("one", "two", "three", "four")
        order = pair if rng.random() < 0.5 else pair[::-1]
        three: str | None = None
        correct: bool | None = outcome
        if procedure == "abx":
            right = int(rng.integers(2))
            three = order[right]
            slots: tuple[str, ...] = (*order, three)
            answer = words[right if outcome else 1 - right]
        elif procedure == "duo_trio":
            right = 1 + int(rng.integers(2))
            slots = (order[0], *(order if right == 1 else order[::-1]))
            three = slots[2]
            answer = words[right if outcome else 3 - right]
        elif procedure == "reminder":
            # pair[0] is of the first condition, pair[1] of the second; either name may be first.
            others = [
                str(rng.choice([t for t in c["takes"] if t not in pair]))
                for c in asked["conditions"]
            ]
            kind = int(rng.integers(2))
            slots = (*order, others[kind], others[1 - kind])
            three = slots[2]
            right = slots.index(pair[kind])
            answer = words[right if outcome else 1 - right]
        elif procedure == "same_different":
            differ = rng.random() < 0.5
            slots = order if differ else (order[0], order[0])
            three = None if differ else order[1]
            answer = "different" if differ == outcome else "same"
        elif procedure == "tetrad":
            right = 1 + int(rng.integers(3))
            slots = tuple(order[0] if i in (0, right) else order[1] for i in range(4))
            three = slots[2]
            others = [i for i in range(1, 4) if i != right]
            answer = words[right if outcome else others[int(rng.integers(2))]]
        elif procedure == "triangle":
            odd = int(rng.integers(3))
            placed = [order[0]] * 3
            placed[odd] = order[1]
            slots = tuple(placed)
            three = slots[2]
            others = [i for i in range(3) if i != odd]
            answer = words[odd if outcome else others[int(rng.integers(2))]]
        else:
            slots = order
            answer = words[slots.index(pair[1] if outcome else pair[0])]
            if outcome is None:
                answer = "neither"
            if asked["role"] == "planted_check" and procedure == "attribute":
                chosen = pair[1] if outcome else pair[0]
                correct = chosen in asked["conditions"][1]["takes"]
            else:
                correct = None
        self.trials[listener] = self.trials.get(listener, 0) + 1
        self.votes.append(
            Vote(
                sequence=len(self.votes) + 1,
                listener=listener,
                trial=self.trials[listener],
                contrast=asked["id"],
                procedure=procedure,
                excerpt=excerpt,
                one=slots[0],
                two=slots[1],
                three=three,
                four=slots[3] if len(slots) > 3 else None,
                answer=answer,
                correct=correct,
                plays=3,
                seconds=20,
                day=0,
            )
        )

    def rows(self, **more: Any) -> list[ListenerRow]:
        base = {"finished": True, "headphone_check": "passed", "playback": "headphones"}
        return [
            ListenerRow(listener=code, sample_rate=48_000, votes=n, **(base | more))
            for code, n in sorted(self.trials.items())
        ]


def pairs_of(asked: dict[str, Any]) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """(across, within) pairs, in the order of the conditions."""
    side = {t: i for i, c in enumerate(asked["conditions"]) for t in c["takes"]}
    pairs = list(combinations(side, 2))
    return (
        [p for p in pairs if side[p[0]] != side[p[1]]],
        [p for p in pairs if side[p[0]] == side[p[1]]],
    )


@dataclass(frozen=True)
class Share:
    """`right` of `n` votes, dealt out evenly over pairs and listeners, and so many for neither."""

    right: int
    n: int
    neither: int = 0


def deal(
    ballot: Ballot,
    asked: dict[str, Any],
    across: Share,
    within: Share | None = None,
    *,
    listeners: int = 20,
    split: bool = False,
) -> None:
    """Deal out votes with exact totals; `split`: listeners all for one side or all for the other.

    Right votes are spread evenly over pairs of takes, so that takes do not differ within a kind.
    """
    excerpts = [e["id"] for e in ballot.document["excerpts"]]
    for share, pairs in zip((across, within), pairs_of(asked), strict=True):
        if share is None:
            continue
        dealt = {True: 0, False: 0}
        order = sorted(range(share.n), key=lambda i: (i % listeners, i))  # listener by listener
        for place, i in enumerate(order):
            right = (place + 1) * share.right // share.n > place * share.right // share.n
            who = i % listeners
            if split and share is across:
                right = who % 2 == 0
            pair = pairs[dealt[right] % len(pairs)]
            ballot.cast(f"L{who:02d}", asked, pair, excerpts[i % len(excerpts)], right)
            dealt[right] += 1
        for i in range(share.neither):
            ballot.cast(f"L{i % listeners:02d}", asked, pairs[i % len(pairs)], excerpts[0], None)


def simulate(
    document: dict[str, Any],
    rng: np.random.Generator,
    *,
    listeners: int | None = None,
    effect: float = 0.0,
    take_spread: float = 0.0,
    hears: float = 1.0,
    listener_spread: float = 0.5,
    check_d: float = 4.0,
) -> tuple[list[Vote], list[ListenerRow]]:
    """Votes with a known truth.

    Each take has a position: effect × its condition (or dose on scale) + N(0, take_spread), in
    d′. A listener's sensitivity is log-normal with `listener_spread`, and 0 with probability
    1 − `hears`. Pairs are drawn as a shuffled round robin dealt on from listener to listener.
    """
    ballot = Ballot(document, rng)
    count = listeners or document["stop"]["listeners"]
    sense = np.exp(rng.normal(0, listener_spread, count)) * (rng.random(count) < hears)
    excerpts = [e["id"] for e in document["excerpts"]]
    for asked in document["contrasts"]:
        if asked.get("of"):
            continue
        planted = asked["role"] == "planted_check"
        across, within = pairs_of(asked)
        where: dict[str, float] = {}
        for i, condition in enumerate(asked["conditions"]):
            dose = condition["dose"]
            place = i if dose is None else (math.log1p(dose) if asked["scale"] == "log1p" else dose)
            for take in condition["takes"]:
                where[take] = place * (check_d if planted else effect) + (
                    0.0 if planted else rng.normal(0, take_spread)
                )
        deck: list[tuple[str, str]] = []
        for who in range(count):
            for trial in range(asked["votes_per_listener"]):
                if not deck:
                    deck = [*across, *within]
                    rng.shuffle(deck)
                pair = tuple(deck.pop())
                d = (where[pair[1]] - where[pair[0]]) * (1.0 if planted else sense[who])
                p = float(np.interp(d, GRID, TABLE[asked["procedure"]]))
                ballot.cast(
                    f"L{who:02d}", asked, pair, excerpts[trial % len(excerpts)], rng.random() < p
                )
    return ballot.votes, ballot.rows()


@pytest.fixture(scope="session")
def made() -> SimpleNamespace:
    """The builders of this file."""
    return SimpleNamespace(
        contrast=contrast,
        check=check,
        control_of=control_of,
        plan=plan,
        Ballot=Ballot,
        Share=Share,
        deal=deal,
        simulate=simulate,
        pairs_of=pairs_of,
    )
