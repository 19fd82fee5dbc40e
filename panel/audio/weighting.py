"""K-weighting as products of matrices, several times as fast as running the filter.

The filter of BS.1770 (`loudness.k_weighting`) has four states. Over a stretch of samples its
output is T x + O s and its next states A^n s + R x: the same sums that the recursion makes, in
another order (block state-space form; any text on digital filters). States from stretch to
stretch follow the same rule, so they too are worked out by groups. float32 within a stretch:
what that adds lies 120 dB under the highest sample, and loudness is gated 70 dB under full scale.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

STRETCH = 32
_GROUP = 16
_LEVELS = 6


@dataclass(frozen=True, eq=False)
class _Level:
    """From the inputs of a group of steps and the states before it to the states before each
    step and after the last; and the rule of the whole group, which is the next level's step."""

    inputs: Floats  # (4 group, 4 (group + 1))
    states: Floats  # (4, 4 (group + 1))
    step: Floats  # (4, 4)


@dataclass(frozen=True, eq=False)
class _Form:
    through: Singles  # T, transposed
    out: Singles  # O, transposed
    take_in: Singles  # R, transposed
    levels: tuple[_Level, ...]


class Weighting:
    """The filter over one channel that comes in blocks."""

    def __init__(self, sections: Floats) -> None:
        self.form = _form(sections.tobytes())
        self.states = np.zeros(4)
        self.rest: Singles = np.zeros(0, np.float32)

    def add(self, block: NDArray[np.floating]) -> Singles:
        """Filter (frames,); gives back as many as are ready."""
        rest = len(self.rest)
        x = np.empty(rest + len(block), np.float32)
        x[:rest] = self.rest
        x[rest:] = block
        whole = len(x) // STRETCH * STRETCH
        self.rest = x[whole:].copy()
        return self._filtered(x[:whole])

    def finish(self) -> Singles:
        """What of the sound was not a whole stretch, filtered."""
        padded = np.zeros(STRETCH, np.float32)
        padded[: len(self.rest)] = self.rest
        return self._filtered(padded)[: len(self.rest)]

    def _filtered(self, x: Singles) -> Singles:
        if not len(x):
            return x
        stretches = x.reshape(-1, STRETCH)
        inputs = (stretches @ self.form.take_in).astype(np.float64)
        before, self.states = _scanned(inputs, self.states, self.form.levels)
        y: Singles = stretches @ self.form.through
        y += before.astype(np.float32) @ self.form.out
        return y.reshape(-1)


def _scanned(inputs: Floats, first: Floats, levels: tuple[_Level, ...]) -> tuple[Floats, Floats]:
    """The states before each step, (steps, 4), and those after the last."""
    level, steps = levels[0], len(inputs)
    groups = -(-steps // _GROUP)
    padded = np.zeros((groups * _GROUP, 4))
    padded[:steps] = inputs
    states = padded.reshape(groups, -1) @ level.inputs
    if groups > 1:
        starts, _ = _scanned(states[:, -4:], first, levels[1:])
    else:
        starts = first[None]
    states += starts @ level.states
    left = steps - (groups - 1) * _GROUP
    after = states[-1, 4 * left : 4 * left + 4].copy()
    return states[:, :-4].reshape(-1, 4)[:steps], after


@lru_cache(maxsize=16)
def _form(sections: bytes) -> _Form:
    a, b, c, d = _state_space(np.frombuffer(sections).reshape(2, 6))
    powers = [np.eye(4)]
    for _ in range(STRETCH):
        powers.append(a @ powers[-1])
    out = np.array([c @ power for power in powers[:-1]])
    impulse = np.concatenate(([d], out[:-1] @ b))
    lags = np.arange(STRETCH)[:, None] - np.arange(STRETCH)
    through = np.where(lags >= 0, impulse[np.maximum(lags, 0)], 0.0)
    take_in = np.array([powers[STRETCH - 1 - i] @ b for i in range(STRETCH)])
    levels, step = [], powers[-1]
    for _ in range(_LEVELS):
        of_step = [np.eye(4)]
        for _ in range(_GROUP):
            of_step.append(step @ of_step[-1])
        inputs = np.zeros((_GROUP, 4, _GROUP + 1, 4))
        for j in range(_GROUP + 1):
            for i in range(j):
                inputs[i, :, j] = of_step[j - 1 - i].T
        states = np.concatenate([power.T for power in of_step], axis=1)
        levels.append(_Level(inputs.reshape(4 * _GROUP, -1), states, of_step[-1]))
        step = of_step[-1]
    return _Form(_single(through.T), _single(out.T), _single(take_in), tuple(levels))


def _single(matrix: Floats) -> Singles:
    return np.ascontiguousarray(matrix, dtype=np.float32)


def _state_space(sections: Floats) -> tuple[Floats, Floats, Floats, float]:
    """s' = A s + B x, y = C s + D x of two second-order sections, one after the other; states
    so scaled that white noise drives all of them alike, which keeps them well apart."""
    from scipy.linalg import solve_discrete_lyapunov

    parts = []
    for b0, b1, b2, _, a1, a2 in sections:
        a = np.array([[-a1, 1.0], [-a2, 0.0]])
        parts.append((a, np.array([b1 - a1 * b0, b2 - a2 * b0]), np.array([1.0, 0.0]), b0))
    (a1_, b1_, c1, d1), (a2_, b2_, c2, d2) = parts
    a = np.block([[a1_, np.zeros((2, 2))], [np.outer(b2_, c1), a2_]])
    b = np.concatenate((b1_, b2_ * d1))
    c = np.concatenate((d2 * c1, c2))
    scale = np.linalg.cholesky(solve_discrete_lyapunov(a, np.outer(b, b)))
    back = np.linalg.inv(scale)
    return back @ a @ scale, back @ b, c @ scale, float(d1 * d2)
