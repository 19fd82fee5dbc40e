"""How fast the mixed model is, as ratios against peers measured in the same run.

    python tests/bench/mixed.py [listeners ...]        (200 2000 10000 if none are given)

The model: probit, intercept, (1|listener) + (1|excerpt), 6 excerpts × 4 votes, given one row a vote
and given cells (y of n). Peers, on the same data:

- a derivative-free outer search (Nelder–Mead) over the same Laplace deviance, written here;
- glmer of lme4 (Debian: r-base-core, r-cran-lme4), where Rscript is present: default settings,
  time of the call alone, without R's start and without reading the data.

Ours are the best of three calls, lme4's a single one. Nothing is asserted: read the table. Δ is
the peer's deviance minus ours under the same information. lme4's default inner tolerance leaves
some 1e-7 of the deviance open (.01 at 2,000 listeners, .07 at 10,000); with tolPwrss = 1e-13 it
came to ours within 1e-4 at 200 and 2,000 (2026-11-25).
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtr

from panel.analysis.mixed.cells import fold
from panel.analysis.mixed.laplace import evaluate
from panel.analysis.mixed.links import link_named
from panel.analysis.mixed.model import fit

EXCERPTS, VOTES = 6, 4

GLMER = """
suppressMessages(library(lme4))
d <- read.csv("{path}")
f <- {formula} ~ 1 + (1|listener) + (1|excerpt)
t <- system.time(m <- suppressMessages(suppressWarnings(
  glmer(f, d, family = binomial("probit")))))["elapsed"]
cat(sprintf("time %.4f deviance %.4f sd %.5f %.5f", t, -2 * as.numeric(logLik(m)),
            sqrt(VarCorr(m)$listener[1]), sqrt(VarCorr(m)$excerpt[1])))
"""


def simulated(rng: np.random.Generator, listeners: int) -> dict[str, np.ndarray]:
    """Single votes."""
    listener = np.repeat(np.arange(listeners), EXCERPTS * VOTES)
    excerpt = np.tile(np.repeat(np.arange(EXCERPTS), VOTES), listeners)
    heard = 0.6 * rng.standard_normal(listeners)[listener]
    told = 0.25 * rng.standard_normal(EXCERPTS)[excerpt]
    right = (rng.random(listener.size) < ndtr(0.6 + heard + told)).astype(int)
    return {"y": right, "n": np.ones_like(right), "listener": listener, "excerpt": excerpt}


def folded(votes: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The same votes as cells."""
    cell = votes["listener"] * EXCERPTS + votes["excerpt"]
    listener, excerpt = np.divmod(np.arange(cell.max() + 1), EXCERPTS)
    return {
        "y": np.bincount(cell, votes["y"]).astype(int),
        "n": np.bincount(cell),
        "listener": listener,
        "excerpt": excerpt,
    }


def ours(data: dict[str, np.ndarray], information: str) -> tuple[float, float]:
    groups = {"listener": data["listener"], "excerpt": data["excerpt"]}
    best = np.inf
    for _ in range(3):
        start = time.perf_counter()
        found = fit(
            data["y"], np.ones(data["y"].size), groups, n=data["n"], information=information
        )
        best = min(best, time.perf_counter() - start)
    assert found.converged
    return best, found.deviance


def derivative_free(data: dict[str, np.ndarray]) -> tuple[float, float, int]:
    start = time.perf_counter()
    groups = {"listener": data["listener"], "excerpt": data["excerpt"]}
    cells = fold(data["y"], np.ones(data["y"].size), groups, data["n"])
    link, last = link_named("probit"), None

    def deviance(theta: np.ndarray) -> float:
        nonlocal last
        value = evaluate(cells, link, theta[:1], theta[1:], "observed", last)
        last = value.mode
        return value.deviance

    found = minimize(
        deviance,
        [0.3, 0.5, 0.3],
        method="Nelder-Mead",
        options={"xatol": 1e-5, "fatol": 1e-5, "maxfev": 600},
    )
    return time.perf_counter() - start, found.fun - 2 * cells.constant, found.nfev


def glmer(data: dict[str, np.ndarray], folder: Path, as_cells: bool) -> tuple[float, float] | None:
    if shutil.which("Rscript") is None:
        return None
    path = folder / "votes.csv"
    columns = np.column_stack([data["y"], data["n"], data["listener"], data["excerpt"]])
    np.savetxt(path, columns, "%d", ",", header="y,n,listener,excerpt", comments="")
    formula = "cbind(y, n - y)" if as_cells else "y"
    script = folder / "fit.R"
    script.write_text(GLMER.format(path=path, formula=formula))
    run = subprocess.run(["Rscript", str(script)], capture_output=True, text=True, check=False)
    told = re.search(r"time (\S+) deviance (\S+)", run.stdout)
    if told is None:
        print(f"lme4 did not run: {run.stderr.strip()[-200:]}")
        return None
    return float(told[1]), float(told[2])


def main(sizes: list[int]) -> None:
    print("listeners  given  ours s  deviance   | derivative-free  evaluations | lme4: ratio  Δ")
    for listeners in sizes:
        votes = simulated(np.random.default_rng(20261125 + listeners), listeners)
        for given, data in (("votes", votes), ("cells", folded(votes))):
            seconds, deviance = ours(data, "observed")
            slow, slow_deviance, evaluations = derivative_free(data)
            line = (
                f"{listeners:9d}  {given}  {seconds:6.3f}  {deviance:10.3f} | "
                f"{slow / seconds:5.1f}× (Δ {slow_deviance - deviance:+.4f})  {evaluations:4d}"
            )
            with tempfile.TemporaryDirectory() as folder:
                peer = glmer(data, Path(folder), given == "cells")
            if peer is not None:
                expected_seconds, expected = ours(data, "expected")
                line += (
                    f" | {peer[0] / seconds:6.1f}× of {peer[0]:.2f} s  {peer[1] - expected:+.4f}"
                    f" (ours, expected: {expected_seconds:.3f} s)"
                )
            print(line, flush=True)


if __name__ == "__main__":
    main([int(size) for size in sys.argv[1:]] or [200, 2_000, 10_000])
