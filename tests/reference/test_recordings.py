"""Real recordings: two independent readers agree, and known changes are found on a real guitar.

The sample comes with its samples as plain 32-bit floats, a reading that needs no decoder at all.
Formats here are those that the package holds, written by several programs.
"""

import subprocess
from pathlib import Path

import numpy as np
import pytest
from imageio_ffmpeg import get_ffmpeg_exe
from scipy.signal import lfilter

from panel.audio import loudness
from panel.audio.measure.difference import measure
from panel.audio.prepare import clips as prepare
from panel.audio.reading import decode
from panel.audio.sound import Sound
from panel.errors import BadInput

FRAMES = 541_184

# How far from the plain floats, in dB below the sound: 16-bit rounding leaves 96 dB at this
# level; lossy codings leave what they leave. lena.flac was dithered; lena.aiff was made from a
# lossy file and holds 960 frames of padding, though the file itself loses nothing.
LOSSLESS = {
    "lena-24.aiff": 90, "lena-32.wav": 90, "lena-64.aiff": 90, "lena-32.aiff": 90,
    "lena-f32.caf": 90, "lena.caf": 90, "lena.flac": 60, "lena.wav": 90, "lena-24.aif": 90,
    "lena-24.wav": 90, "lena-32.aif": 90, "lena.aiff": 25,
}  # fmt: skip
LOSSY = {
    "lena-a.aiff": 30, "lena-u.aiff": 30, "lena-gsm.aiff": 15, "lena-ima-adpcm.aiff": 30,
    "lena-alaw.aiff": 12, "lena-alaw.caf": 12, "lena-ulaw.aiff": 12, "lena-vorbis.webm": 25,
    "lena.aac": 25, "lena.m4a": 25, "lena.mp3": 60, "lena.ogg": 25, "lena.opus": 20,
    "lena.webm": 25,
}  # fmt: skip
REFUSED = {"lena-24-dwvw.aiff"}  # bit-packed words that libsndfile cannot seek in
PADDED = {"lena.aac": 1024}  # raw ADTS has no field for the encoder's padding


def files(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("lena*") if p.suffix != ".raw")


def by_ffmpeg(path: Path, channels: int) -> np.ndarray:
    raw = subprocess.run(
        [get_ffmpeg_exe(), "-v", "error", "-nostdin", "-i", path, "-f", "f64le", "-"],
        check=True,
        capture_output=True,
    ).stdout
    return np.frombuffer(raw, "<f8").reshape(-1, channels)


def test_every_file_of_the_sample_is_accounted_for(sample):
    assert {p.name for p in files(sample)} == set(LOSSLESS) | set(LOSSY) | REFUSED
    assert len(files(sample)) == 28  # two programs wrote a lena-24.aiff


def test_both_readers_give_the_same_samples(sample):
    """libsndfile for most kinds here, the bundled decoder there; exact where nothing is lost."""
    for path in files(sample):
        if path.name in REFUSED:
            continue
        ours = decode.read(path)
        theirs = by_ffmpeg(path, ours.channels)
        assert ours.source.lossy == (path.name in LOSSY), path.name
        if path.name in LOSSLESS:
            assert np.array_equal(ours.samples, theirs), path.name
            continue
        # Whole blocks: GSM 6.10 codes 160 frames at a time, and one reader hands all of them on.
        assert 0 <= len(theirs) - ours.frames < 160, path.name
        apart = np.abs(ours.samples - theirs[: ours.frames]).max()
        # Decoders of the same bits may differ by rounding; IMA's shifts round differently.
        assert apart < (5e-3 if path.name == "lena-ima-adpcm.aiff" else 1e-5), path.name


def test_every_file_of_the_sample_is_the_same_recording(sample):
    plain = np.fromfile(sample / "lena.raw", "<f4").astype(float)
    assert plain.shape == (FRAMES,)
    size = 2**21
    spectrum = np.fft.rfft(plain, size).conj()
    for path in files(sample):
        if path.name in REFUSED:
            continue
        sound = decode.read(path)
        mono = sound.samples.mean(axis=1)
        if sound.rate != 44_100:
            mono = prepare.resampled(mono[:, None], sound.rate, 44_100)[:, 0]
        lags = np.fft.irfft(np.fft.rfft(mono, size) * spectrum, size)
        delay = int(np.argmax(lags))
        assert delay == PADDED.get(path.name, 0), path.name
        n = min(len(mono) - delay, FRAMES)
        a, b = mono[delay : delay + n], plain[:n]
        assert n > FRAMES - 200, path.name
        gain = (a @ b) / (b @ b)
        left = 10 * np.log10(np.square(a).sum() / np.square(a - gain * b).sum())
        assert left > (LOSSLESS | LOSSY)[path.name], path.name


def test_what_cannot_be_decoded_is_refused_in_words(sample):
    for name in REFUSED:
        (path,) = sample.rglob(name)
        with pytest.raises(BadInput, match="could not be decoded"):
            decode.read(path)


NOTES = ("E2", "G3", "B3", "Cs5")
DELAY, GAIN_DB = 37.4, -1.7


def later(samples: np.ndarray) -> np.ndarray:
    """Delayed by the shift theorem over a padded spectrum, and lowered."""
    size = 2 * len(samples) + 8192
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * DELAY)
    moved = np.fft.irfft(np.fft.rfft(samples, size, axis=0) * turn[:, None], size, axis=0)
    return moved[: len(samples)] * 10 ** (GAIN_DB / 20)


@pytest.mark.parametrize("note", [*NOTES, "D3", "C4", "Fs4"])
def test_known_delay_and_gain_are_found_on_a_real_note(guitar, note):
    a = decode.read(guitar / f"{note}.wav")
    found = measure(a, Sound(-later(a.samples), a.rate, a.source))
    assert found.delay_samples == pytest.approx(DELAY, abs=0.02)
    assert found.gain_db == pytest.approx(GAIN_DB, abs=0.01)
    assert found.inverted
    assert found.drift_ppm == pytest.approx(0, abs=0.1)
    assert (found.corner_hz, found.shelf) == (None, None)
    # What is left is the end of the note, which the delay pushed out of the file, and rounding.
    assert found.residual_db < -80
    assert all(abs(band.difference_db) < 0.05 for band in found.third_octave)


@pytest.mark.parametrize("note", NOTES)
def test_known_low_cut_is_found_on_a_real_note(guitar, note):
    """The analogue R-C by the bilinear transform, its corner pre-warped."""
    a = decode.read(guitar / f"{note}.wav")
    k = np.tan(np.pi * 60 / a.rate)
    cut = lfilter([1 / (1 + k), -1 / (1 + k)], [1, (k - 1) / (k + 1)], a.samples, axis=0)
    found = measure(a, Sound(later(cut), a.rate, a.source))
    assert found.corner_hz == pytest.approx(60, rel=0.02)


@pytest.mark.parametrize("note", NOTES)
def test_known_shelf_is_found_on_a_real_note(guitar, note):
    """2 kHz and +3 dB: the W3C cookbook's shelf has half of its gain there, in closed form."""
    from panel.audio.prepare.planted import high_shelf

    a = decode.read(guitar / f"{note}.wav")
    changed = lfilter(*high_shelf(a.rate, 3.0, 2000.0), a.samples, axis=0)
    found = measure(a, Sound(later(changed), a.rate, a.source))
    assert found.shelf is not None
    assert found.shelf.gain_db == pytest.approx(3.0, abs=0.05)
    assert found.shelf.hz == pytest.approx(2000, rel=0.01)


def test_real_notes_are_prepared_at_one_loudness_and_in_step(guitar):
    """The same note three times, as three takes of a rig might hold it."""
    a = decode.read(guitar / "A2.wav")
    rng = np.random.default_rng(3)
    hiss = 10 ** (-75 / 20) * rng.standard_normal(a.samples.shape)
    takes = [
        prepare.TakeSound("one", a),
        prepare.TakeSound("two", Sound(later(a.samples), a.rate, a.source)),
        prepare.TakeSound("three", Sound(-0.5 * (a.samples + hiss), a.rate, a.source)),
    ]
    clips = prepare.cut_clips(takes, prepare.Span(0.5, 5.5))
    assert [clip.samples.shape for clip in clips] == [(round(5 * a.rate), 1)] * 3
    assert clips[1].delay_samples == pytest.approx(DELAY, abs=0.02)
    assert [clip.inverted for clip in clips] == [False, False, True]
    levels = [loudness.for_clip(clip.samples, clip.rate)[0] for clip in clips]
    assert max(levels) - min(levels) < 0.05
    assert all(loudness.true_peak_db(clip.samples, clip.rate) <= -0.99 for clip in clips)
    # In step and equally loud, take two is take one again, to within interpolation.
    apart = clips[1].samples - clips[0].samples
    assert np.square(apart).mean() < 1e-6 * np.square(clips[0].samples).mean()
