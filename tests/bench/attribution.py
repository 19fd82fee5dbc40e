"""Size and power of attribution to the change, by takes a side and by their own spread.

    python tests/bench/attribution.py [--runs 400] [--seed 20] [--only abx] > table.md

Takes of a condition scatter about its place on the perceptual scale (spread in d′); listeners'
sensitivities are log-normal with spread 0.5. *Several takes*: a round robin of all takes, claimed
if the votes across conditions beat chance and the permutation of labels says that it is the
change, both at 5 %. *One file a side*: the same number of votes on one take of either condition,
claimed if they beat chance, as is often done. *Reminder*: takes chosen by condition, one fresh take
of each and two others of the same takes as reminders, which say which way to look; held against
the scatter of takes (panel.analysis.attribution.dealt_by_condition).

Size: how often it is claimed that the change is heard though it does nothing. Power: how often it
is claimed at the d′ named. Rates have Wilson's interval (1927, J. Am. Stat. Assoc. 22, 209–212).
"""

import argparse
import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from panel.analysis.attribution import dealt_by_condition, permutation
from panel.analysis.attribution.permutation import PairTable
from panel.analysis.counts import exact
from panel.procedures.curves import CURVES

SPREADS = (0.0, 0.25, 0.5, 1.0)
TAKES = (2, 3, 4, 5, 8)
ALPHA = 0.05
LISTENER_SPREAD = 0.5
# Procedure: listeners, votes each, the d′ at which power is told.
SETTINGS = {"abx": (40, 24, 1.5), "preference": (16, 12, 1.0), "reminder": (16, 12, 1.0)}


@dataclass(frozen=True)
class Rate:
    hits: int
    runs: int

    def interval(self, z: float = 1.959964) -> tuple[float, float]:
        """Wilson's interval for a rate."""
        n, p = self.runs, self.hits / self.runs
        centre = (p + z * z / (2 * n)) / (1 + z * z / n)
        away = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
        return centre - away, centre + away

    def __str__(self) -> str:
        low, high = self.interval()
        return f"{100 * self.hits / self.runs:.1f} ({100 * low:.1f}–{100 * high:.1f})"


def _dealt(
    rng: np.random.Generator, pairs: list[tuple[int, int]], votes: int
) -> tuple[np.ndarray, np.ndarray]:
    """Pairs dealt out evenly, the remainder at random."""
    rounds = -(-votes // len(pairs))
    drawn = np.concatenate([rng.permutation(len(pairs)) for _ in range(rounds)])[:votes]
    dealt = np.asarray(pairs)[drawn]
    return dealt[:, 0], dealt[:, 1]


def claimed(
    rng: np.random.Generator, procedure: str, takes: int, spread: float, dprime: float
) -> bool:
    """One simulated study: is it claimed that the change is heard? `takes` 1: one file a side."""
    listeners, each, _ = SETTINGS[procedure]
    votes = listeners * each
    keen = np.repeat(np.exp(rng.normal(0, LISTENER_SPREAD, listeners)), each)
    labels = np.repeat([0, 1], takes)
    place = dprime * labels + rng.normal(0, spread, 2 * takes)
    if procedure == "reminder":
        return _by_reminder(rng, takes, place, keen)
    first, second = _dealt(rng, list(combinations(range(2 * takes), 2)), votes)
    lead = keen * (place[second] - place[first])
    curve = CURVES["twoafc" if procedure == "preference" else procedure]
    right = rng.random(votes) < curve.probability(
        lead if procedure == "preference" else np.abs(lead)
    )
    across = labels[first] != labels[second]
    k, n = int(right[across].sum()), int(across.sum())
    if procedure == "preference":
        if exact.p_two_sided(k, n) > ALPHA:
            return False
    elif exact.p_greater(k, n, 0.5) > ALPHA:
        return False
    if takes == 1:
        return True
    table = PairTable.count(first.tolist(), second.tolist(), [0] * votes, right.tolist(), 2 * takes)
    if procedure != "preference":
        return permutation.undirected(table, labels, rng).p <= ALPHA
    found = permutation.directed(permutation.take_scores(table), labels, rng)
    return found.p <= ALPHA and found.statistic * (2 * k - n) > 0


def _by_reminder(rng: np.random.Generator, takes: int, place: np.ndarray, keen: np.ndarray) -> bool:
    """Two takes with a reminder. The reminders' own difference says which way to look."""
    votes = keen.size
    first, second = _dealt(rng, list(product(range(takes), range(takes, 2 * takes))), votes)
    if takes == 1:
        met = np.column_stack([first, second, first, second])
    else:
        step = rng.integers(1, takes, (2, votes))
        met = np.column_stack(
            [first, second, (first + step[0]) % takes, takes + (second - takes + step[1]) % takes]
        )
    reminded = place[met[:, 3]] - place[met[:, 2]]
    # With no difference at all the listener looks either way.
    way = np.where(reminded == 0, rng.choice([-1.0, 1.0], votes), np.sign(reminded))
    right = rng.random(votes) < CURVES["twoafc"].probability(
        way * keen * (place[second] - place[first])
    )
    if exact.p_greater(int(right.sum()), votes, 0.5) > ALPHA:
        return False
    labels = np.repeat([0, 1], takes)
    return takes == 1 or dealt_by_condition.test(right, met, labels).p <= ALPHA


def rate(seed: int, procedure: str, takes: int, spread: float, dprime: float, runs: int) -> Rate:
    """How often it is claimed; the stream depends on the cell only."""
    cell = [list(SETTINGS).index(procedure), takes, round(100 * spread), round(100 * dprime)]
    rng = np.random.default_rng([seed, *cell])
    return Rate(sum(claimed(rng, procedure, takes, spread, dprime) for _ in range(runs)), runs)


def table(seed: int, runs: int, only: str | None = None) -> Iterator[str]:
    """Lines of the markdown table."""
    for procedure, (listeners, each, dprime) in SETTINGS.items():
        if only not in (None, procedure):
            continue
        yield f"**{procedure}**, {listeners} listeners × {each} votes, {runs} runs a cell; "
        yield "size / power in % (95 % Wilson interval), power at d′ = " + f"{dprime:g}"
        yield ""
        yield "| spread of takes, d′ | one file a side | " + " | ".join(
            f"{k} a side" for k in TAKES
        ) + " |"  # fmt: skip
        yield "|---" * (2 + len(TAKES)) + "|"
        for spread in SPREADS:
            cells = [
                f"{rate(seed, procedure, k, spread, 0.0, runs)} / "
                f"{rate(seed, procedure, k, spread, dprime, runs)}"
                for k in (1, *TAKES)
            ]
            yield f"| {spread:g} | " + " | ".join(cells) + " |"
        yield ""


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--runs", type=int, default=400)
    arguments.add_argument("--seed", type=int, default=20)
    arguments.add_argument("--only", choices=list(SETTINGS))
    given = arguments.parse_args()
    for line in table(given.seed, given.runs, given.only):
        print(line, flush=True)


if __name__ == "__main__":
    main()
