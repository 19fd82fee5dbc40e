"""The exponential sweep, by which each order of distortion gets an impulse response of its own.

Farina 2000, "Simultaneous measurement of impulse response and distortion with a swept-sine
technique", AES 108th Convention, preprint 5093 (from memory). The sweep is
sin(2 pi f1 L (exp(t / L) - 1)), L = T / ln(f2 / f1). A system's n-th harmonic runs ahead of the
fundamental by L ln n at every frequency, so that after division by the sweep's spectrum each
order stands by itself. f1 L is a whole number, so that every harmonic is in phase with the sweep
n times as fast (the "synchronised" sweep; Novak et al. 2015, J. Audio Eng. Soc. 63, from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

FADE_IN_S, FADE_OUT_S = 0.1, 0.01


@dataclass(frozen=True)
class Sweep:
    """From `low_hz` to `high_hz`; `growth_s` is L, in which the frequency grows e-fold."""

    low_hz: float
    high_hz: float
    growth_s: float

    @property
    def seconds(self) -> float:
        return self.growth_s * float(np.log(self.high_hz / self.low_hz))

    def samples(self, rate: float) -> Floats:
        """Amplitude 1, faded at both ends; sample n is the moment n / rate.

        At a rate that cannot hold the highest frequencies it stops before them.
        """
        frames = int(np.ceil(self.seconds * rate))
        t = np.arange(frames) / rate
        phase = 2 * np.pi * self.low_hz * self.growth_s * np.expm1(t / self.growth_s)
        top = min(self.high_hz, 0.49 * rate)
        end = self.growth_s * float(np.log(top / self.low_hz))
        rise = np.clip(t / FADE_IN_S, 0, 1)
        fall = np.clip((end - t) / FADE_OUT_S, 0, 1)
        out: Floats = np.sin(phase) * np.sin(np.pi / 2 * rise) ** 2 * np.sin(np.pi / 2 * fall) ** 2
        return out

    def lead_s(self, order: int) -> float:
        """How far ahead of the fundamental a harmonic's impulse response stands."""
        return self.growth_s * float(np.log(order))

    def spectrum(self, hz: Floats, rate: float) -> Complexes:
        """Of the endless sweep by stationary phase, which goes on below and above its ends.

        That of `samples` within the sweep's band, but for the ripple of the ends.
        """
        safe = np.maximum(hz, 1e-3)
        cycles = self.growth_s * (safe - self.low_hz - safe * np.log(safe / self.low_hz))
        out: Complexes = (
            0.5
            * rate
            * np.sqrt(self.growth_s / safe)
            * np.exp(1j * (2 * np.pi * cycles - np.pi / 4))
        )
        return out


def synchronised(low_hz: float, high_hz: float, about_s: float) -> Sweep:
    """The sweep nearest `about_s` long for which low_hz * growth_s is a whole number."""
    growth = about_s / np.log(high_hz / low_hz)
    return Sweep(low_hz, high_hz, max(1, round(growth * low_hz)) / low_hz)
