"""Synthesised takes for the demo: a plucked instrument through a simple chain.

All of it is invented. What is put in is known exactly (`Chain`), so that tests can ask whether
the measurement and the verdict find it again.

The instrument is a sum of decaying partials: a stiff string (zither) or a bar clamped at one end
(kalimba). The chain is linear: gain, a first-order high-pass of the pickup element into the input's
resistance, a first-order shelf of the adhesive, and what changes from take to take.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RATE = 48_000
SECONDS = 9.5
LEAD_S = 0.4  # silence before the first note of the performance
SHELF_HZ = 3_000.0
ADHESIVE_DB = 1.2
# First-order high-pass of C into 1 MΩ, 1/(2πRC): 22 nF gives 7.23 Hz, 2.2 nF 72.3 Hz.
STANDARD_CORNER_HZ = 7.234
ECONOMY_CORNER_HZ = 72.34
MAINS_HZ = 50.0


@dataclass(frozen=True)
class Chain:
    """What one take went through. `tilt` and `ripple_db` are the take's own departures in response:
    dB an octave around 1 kHz, and three slow cosines over the octaves (amplitude in dB, phase)."""

    gain_db: float = 0.0
    delay_s: float = 0.0
    drift_ppm: float = 0.0
    low_corner_hz: float = STANDARD_CORNER_HZ
    shelf_db: float = 0.0
    tilt: float = 0.0
    ripple_db: tuple[tuple[float, float], ...] = ()
    noise_dbfs: float = -82.0


@dataclass(frozen=True)
class Note:
    """A pluck: when (s from the start of the performance), the fundamental (Hz), how hard (0–1)."""

    start_s: float
    hz: float
    force: float


@dataclass(frozen=True)
class Instrument:
    """How it sounds when plucked: a bar where `bar_ratios` (the four lowest partials over the
    fundamental) are given, otherwise a string of the given stiffness, plucked at a share of its
    length. `decay_s`: time for a 440 Hz fundamental to fall by 60 dB. `body`: see below."""

    name: str
    notes: tuple[Note, ...]
    stiffness: float = 0.0
    pluck_at: float = 0.2
    bar_ratios: tuple[float, ...] = ()
    decay_s: float = 4.0
    body: tuple[tuple[float, float, float], ...] = field(default=())


def take(performance: Floats, chain: Chain, rng: np.random.Generator) -> Floats:
    """One take of a performance, shape (frames,), frames = RATE × SECONDS."""
    frames = round(RATE * SECONDS)
    sound = performance
    if chain.drift_ppm:
        # A fast clock (positive) makes the music shorter in samples.
        sound = soxr.resample(sound, RATE * (1 + chain.drift_ppm * 1e-6), RATE, quality="VHQ")
    size = 1 << (len(sound) + RATE // 4).bit_length()
    spectrum = np.fft.rfft(sound, size)
    hz = np.asarray(np.fft.rfftfreq(size, 1 / RATE), dtype=np.float64)
    spectrum *= response(chain, hz) * np.exp(-2j * np.pi * hz * (LEAD_S + chain.delay_s))
    sound = np.fft.irfft(spectrum, size)[:frames]
    return sound + _noise(rng, frames, chain.noise_dbfs)


def response(chain: Chain, hz: Floats) -> NDArray[np.complex128]:
    """Complex response of the chain at `hz`, without its delay."""
    corner = 1j * hz / chain.low_corner_hz
    high_pass = corner / (1 + corner)
    root = 10 ** (chain.shelf_db / 40)
    shelf = (1 + 1j * hz * root / SHELF_HZ) / (1 + 1j * hz / (root * SHELF_HZ))
    octaves = np.log2(np.clip(hz, 40.0, 20_000.0) / 1_000.0)
    own_db = chain.gain_db + chain.tilt * octaves
    for turn, (amplitude, phase) in enumerate(chain.ripple_db, start=1):
        own_db = own_db + amplitude * np.cos(0.5 * turn * octaves + phase)
    return np.asarray(high_pass * shelf * 10 ** (own_db / 20))


def varied(
    rng: np.random.Generator, *, shelf_db: float = 0.0, low_corner_hz: float = STANDARD_CORNER_HZ
) -> Chain:
    """A chain with the given change, and with this take's own small departures."""
    return Chain(
        gain_db=float(rng.normal(0.0, 0.4)),
        delay_s=float(rng.uniform(0.0, 0.06)),
        drift_ppm=float(rng.normal(0.0, 2.0)),
        low_corner_hz=float(low_corner_hz * np.exp(rng.normal(0.0, 0.03))),
        shelf_db=shelf_db,
        tilt=float(rng.normal(0.0, 0.015)),
        ripple_db=tuple(
            (float(rng.normal(0.0, 0.06)), float(rng.uniform(0.0, 2 * np.pi))) for _ in range(3)
        ),
        noise_dbfs=float(rng.uniform(-84.0, -80.0)),
    )


def wav(sound: Floats) -> bytes:
    """The take as the recorder would hand it over: WAV, 24 bits, one channel."""
    out = io.BytesIO()
    soundfile.write(out, sound, RATE, format="WAV", subtype="PCM_24")
    return out.getvalue()


def performance(instrument: Instrument, rng: np.random.Generator) -> Floats:
    """The piece as it is the same in every take, peak 0.35 of full scale."""
    frames = round(RATE * (SECONDS - LEAD_S - 0.1))
    piece = np.zeros(frames)
    for note in instrument.notes:
        start = round(note.start_s * RATE)
        sound = _pluck(instrument, note, rng)[: frames - start]
        piece[start : start + len(sound)] += sound
    piece = _through_body(instrument, piece)
    fade = round(0.3 * RATE)
    piece[-fade:] *= 0.5 + 0.5 * np.cos(np.linspace(0, np.pi, fade))
    return np.asarray(piece * (0.35 / np.max(np.abs(piece))), dtype=np.float64)


def _pluck(instrument: Instrument, note: Note, rng: np.random.Generator) -> Floats:
    """Decaying partials. A plucked string's partial n has amplitude sin(nπβ)/n² (closed form for
    an ideal string plucked at β); a harder pluck is brighter."""
    frames = round(2.6 * RATE)
    if instrument.bar_ratios:
        ratios = np.array(instrument.bar_ratios)
        amplitudes = np.array([1.0, 0.35, 0.12, 0.05]) * note.force
        decays = instrument.decay_s * (440 / note.hz) ** 0.3 / np.array([1, 6, 14, 25])
    else:
        n = np.arange(1, 1 + int(min(48, 15_000 / note.hz)))
        ratios = n * np.sqrt(1 + instrument.stiffness * n**2)
        amplitudes = np.abs(np.sin(n * np.pi * instrument.pluck_at)) / n ** (1.9 - 0.8 * note.force)
        amplitudes *= note.force
        decays = instrument.decay_s * (440 / note.hz) ** 0.4 / (1 + 0.05 * n + 0.003 * n**2)
    phases = rng.uniform(0, 2 * np.pi, len(ratios))
    hz = note.hz * ratios
    keep = hz < 0.45 * RATE
    poles = np.exp((2j * np.pi * hz - np.log(1000) / decays)[keep] / RATE)
    sound = np.real(_powers(poles, amplitudes[keep] * np.exp(1j * phases[keep]), frames))
    attack = round(0.0015 * RATE)
    sound[:attack] *= np.linspace(0, 1, attack)
    release = round(0.05 * RATE)
    sound[-release:] *= np.linspace(1, 0, release)
    return sound


def _powers(
    poles: NDArray[np.complex128], weights: NDArray[np.complex128], frames: int
) -> NDArray[np.complex128]:
    """Σ weight × poleⁿ for n = 0 … frames − 1, by coarse times fine powers (one matrix product)."""
    step = 512
    fine = poles[:, None] ** np.arange(step)
    coarse = weights[:, None] * (poles**step)[:, None] ** np.arange(-(-frames // step))
    return np.asarray((coarse.T @ fine).ravel()[:frames])


def _through_body(instrument: Instrument, piece: Floats) -> Floats:
    """Adds the body's resonances: (Hz, quality, height in dB) each."""
    size = 1 << len(piece).bit_length()
    hz = np.fft.rfftfreq(size, 1 / RATE)
    shape = np.ones(len(hz), dtype=complex)
    for centre, quality, height_db in instrument.body:
        x = 1j * hz / centre
        shape *= 1 + (10 ** (height_db / 20) - 1) * (x / quality) / (1 + x / quality + x**2)
    return np.asarray(np.fft.irfft(np.fft.rfft(piece, size) * shape, size)[: len(piece)])


def _noise(rng: np.random.Generator, frames: int, dbfs: float) -> Floats:
    """White noise of the input stage with a trace of mains hum, both fresh for each take."""
    level = 10 ** (dbfs / 20)
    t = np.arange(frames) / RATE
    hum = np.sin(2 * np.pi * MAINS_HZ * t + rng.uniform(0, 2 * np.pi))
    return rng.normal(0.0, level, frames) + 0.4 * level * hum


def _tune(beat_s: float, line: Sequence[tuple[float, float, float]]) -> tuple[Note, ...]:
    """Notes from (beat, semitones from A4, force)."""
    return tuple(
        Note(beat * beat_s, 440.0 * 2 ** (semitones / 12), force) for beat, semitones, force in line
    )


# Both tunes are ours, made for this. Bass strings down to C2 (65.4 Hz).
ZITHER = Instrument(
    name="bench zither",
    notes=_tune(
        0.26,
        [
            (0, -33, 0.9), (0, 3, 0.7), (1, 7, 0.6), (2, 10, 0.65), (3, 7, 0.5), (4, -26, 0.7),
            (4, 12, 0.75), (5, 10, 0.55), (6, 8, 0.6), (7, 5, 0.5), (8, -28, 0.85), (8, 3, 0.7),
            (9, 5, 0.55), (10, 7, 0.6), (11, 0, 0.5), (12, -33, 0.85), (12, 2, 0.6), (13, 3, 0.7),
            (15, 7, 0.55), (16, -29, 0.85), (16, 8, 0.75), (17, 7, 0.6), (18, 5, 0.55),
            (19, 3, 0.5), (20, -31, 0.85), (20, 5, 0.7), (21, 2, 0.55), (22, -1, 0.6), (23, 2, 0.5),
            (24, -33, 0.95), (24, -9, 0.6), (24, 3, 0.8), (25, -5, 0.5), (26, 0, 0.5), (27, 7, 0.7),
        ],
    ),
    stiffness=1.2e-4,
    pluck_at=0.17,
    decay_s=3.2,
    body=((112.0, 6.0, 5.0), (238.0, 8.0, 6.0), (415.0, 9.0, 4.0), (1_270.0, 5.0, 3.0)),
)  # fmt: skip

# Bar clamped at one end (Euler–Bernoulli, closed form): f₂/f₁ = 6.267, f₃/f₁ = 17.55,
# f₄/f₁ = 34.39.
KALIMBA = Instrument(
    name="bench kalimba",
    notes=_tune(
        0.3,
        [
            (0, -9, 0.9), (1, -2, 0.7), (2, 3, 0.75), (3, -2, 0.6), (4, -5, 0.8), (5, 2, 0.7),
            (6, 7, 0.75), (7, 2, 0.6), (8, -4, 0.85), (8, 8, 0.7), (9, 0, 0.6), (10, 5, 0.7),
            (11, 3, 0.6), (12, -9, 0.85), (13, 2, 0.6), (14, -2, 0.7), (16, -7, 0.85), (16, 5, 0.7),
            (17, 0, 0.6), (18, 3, 0.7), (19, 7, 0.75), (20, -5, 0.8), (21, 2, 0.6), (22, -1, 0.65),
            (24, -9, 0.9), (24, 3, 0.8),
        ],
    ),
    bar_ratios=(1.0, 6.267, 17.55, 34.39),
    decay_s=2.4,
    body=((185.0, 5.0, 5.0), (520.0, 7.0, 4.0), (2_300.0, 4.0, 3.0)),
)  # fmt: skip
