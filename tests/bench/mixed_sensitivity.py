"""Which form keeps an even curve's d′ from being negative: the simulation behind the default.

    python tests/bench/mixed_sensitivity.py [runs] [listeners ...]

Listeners with 20 ABX votes each whose sensitivities are log-normal (median 1.2, spread 0.5), normal
with a floor (1.2, 0.5), all 1.5, 2 for 30 % or 10 % and nil for the rest, or nil for all. Each
panel is fitted under both forms, "floor" and "log", by quadrature over the listeners. Printed: mean
deviance, bias of the panel's share right (implied by the model against its truth), how often fit
and interval converged, coverage of the 95 % profile interval for the typical (median) listener's
d′, median of the estimated d′ and spread. With "crossed" as the last argument the 20 votes lie over
five excerpts whose effects have a spread of 0.2, and Laplace's approximation is used.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from panel.analysis.mixed.links import link_named
from panel.analysis.mixed.model import fit, profile_interval
from panel.procedures.curves import CURVES

CURVE = CURVES["abx"]
POINTS, MASSES = hermegauss(61)
MASSES = MASSES / MASSES.sum()

TRUTHS = {
    "log-normal": (1.2, lambda rng, size: 1.2 * np.exp(0.5 * rng.standard_normal(size))),
    "normal": (1.2, lambda rng, size: np.maximum(1.2 + 0.5 * rng.standard_normal(size), 0.0)),
    "all": (1.5, lambda _, size: np.full(size, 1.5)),
    "30 %": (0.0, lambda rng, size: np.where(rng.random(size) < 0.3, 2.0, 0.0)),
    "10 %": (0.0, lambda rng, size: np.where(rng.random(size) < 0.1, 2.0, 0.0)),
    "none": (0.0, lambda _, size: np.zeros(size)),
}


def panel(rng, kind, listeners, excerpts):
    d = TRUTHS[kind][1](rng, listeners)
    if excerpts == 1:
        y = rng.binomial(20, CURVE.probability(d))
        return y, np.full(listeners, 20), {"listener": np.arange(listeners)}
    shift = 0.2 * rng.standard_normal(excerpts) * np.any(d > 0)
    heard = np.where(d[:, None] > 0, np.maximum(d[:, None] + shift, 0.0), 0.0)
    y = rng.binomial(20 // excerpts, CURVE.probability(heard)).ravel()
    listener = np.repeat(np.arange(listeners), excerpts)
    excerpt = np.tile(np.arange(excerpts), listeners)
    return y, np.full(y.size, 20 // excerpts), {"listener": listener, "excerpt": excerpt}


def main(runs: int, sizes: list[int], excerpts: int) -> None:
    print(
        "listeners  truth       form   deviance  bias   converged   cover  d′    spread  s a panel"
    )
    for listeners in sizes:
        for kind, (median, draw) in TRUTHS.items():
            share = CURVE.probability(draw(np.random.default_rng(0), 200_000)).mean()
            for form in ("floor", "log"):
                rng = np.random.default_rng(listeners)
                told, start = [], time.perf_counter()
                for _ in range(runs):
                    y, n, groups = panel(rng, kind, listeners, excerpts)
                    given = {"link": "abx", "n": n, "sensitivity": form}
                    found = fit(y, np.ones(y.size), groups, **given)
                    interval = profile_interval(y, np.ones(y.size), groups, **given)
                    spread = np.sqrt(sum(sd**2 for sd in found.sd.values()))
                    eta = found.beta[0] + spread * POINTS
                    implied = MASSES @ link_named("abx", form).probability(eta)
                    low, high = interval.dprime_low - 1e-6, interval.dprime_high
                    told.append(
                        (
                            found.deviance,
                            implied - share,
                            found.converged,
                            interval.converged,
                            low <= median <= high,
                            found.dprime(found.beta)[0],
                            found.sd["listener"],
                        )
                    )
                each = (time.perf_counter() - start) / runs
                told = np.array(told, dtype=float)
                mean, middle = told.mean(axis=0), np.median(told, axis=0)
                print(
                    f"{listeners:9d}  {kind:10s}  {form:5s} {mean[0]:9.2f} {mean[1]:+.4f}  "
                    f"{mean[2]:.2f} {mean[3]:.2f}  {mean[4]:.2f}  {middle[5]:.2f}  "
                    f"{middle[6]:.2f}  {each:.3f}",
                    flush=True,
                )


if __name__ == "__main__":
    arguments = sys.argv[1:]
    crossed = bool(arguments) and arguments[-1] == "crossed"
    numbers = [int(word) for word in arguments if word != "crossed"]
    main(numbers[0] if numbers else 100, numbers[1:] or [12, 40, 200], 5 if crossed else 1)
