"""Every format that is read at every rate it has, in one channel and two.

What a format holds without loss comes back to the bit. In a lossy one a tone comes back with its
pitch and its level, and the file with its length: nothing is resampled, mixed or left out.
"""

import struct
import subprocess

import numpy as np
import pytest
import soundfile
from imageio_ffmpeg import get_ffmpeg_exe

from panel.audio.reading import decode
from panel.errors import BadInput

RATES = (
    8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000,
)  # fmt: skip
CHANNELS = (1, 2)
FRAMES = 3_000


def words(rate, channels, bits=24):
    rng = np.random.default_rng(rate + channels)
    most = 2 ** (bits - 1)
    return rng.integers(-most, most, (FRAMES, channels)) / most


def broadcast(path, samples, rate):
    """BWF: the sound's WAV with a `bext` chunk before it (EBU Tech 3285, 602 bytes, version 1)."""
    soundfile.write(path, samples, rate, "PCM_24", format="WAV")
    plain = path.read_bytes()
    body = b"Take".ljust(602, b"\0")
    data = plain[:12] + struct.pack("<4sI", b"bext", len(body)) + body + plain[12:]
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])


def bw64(path, samples, rate):
    """The long form of ITU-R BS.2088: as RF64 but for its first four bytes."""
    soundfile.write(path, samples, rate, "PCM_24", format="RF64")
    data = path.read_bytes()
    assert data[:4] == b"RF64"
    path.write_bytes(b"BW64" + data[4:])


def by_soundfile(container, subtype="PCM_24", **more):
    def write(path, samples, rate):
        soundfile.write(path, samples, rate, subtype, format=container, **more)

    return write


def by_ffmpeg(codec, container, *options):
    def write(path, samples, rate):
        raw = (samples * 2**31).astype("<i4").tobytes()
        subprocess.run(
            [get_ffmpeg_exe(), "-v", "error", "-y", "-f", "s32le", "-ar", str(rate), "-ac",
             str(samples.shape[1]), "-i", "-", "-c:a", codec, *options, "-f", container, path],
            input=raw, check=True,
        )  # fmt: skip

    return write


EXACT = {
    "WAV": (by_soundfile("WAV"), "WAV"),
    "WAVEX": (by_soundfile("WAVEX"), "WAVEX"),
    "BWF": (broadcast, "WAV"),
    "RF64": (by_soundfile("RF64"), "RF64"),
    "BW64": (bw64, "RF64"),
    "AIFF": (by_soundfile("AIFF"), "AIFF"),
    "AIFF-C, little-endian": (by_soundfile("AIFF", endian="LITTLE"), "AIFF"),
    "FLAC": (by_soundfile("FLAC"), "FLAC"),
    "CAF": (by_soundfile("CAF"), "CAF"),
}


@pytest.mark.parametrize("channels", CHANNELS)
@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("kind", EXACT)
def test_lossless_formats_come_back_to_the_bit(tmp_path, kind, rate, channels):
    write, format_ = EXACT[kind]
    path = tmp_path / "take"
    samples = words(rate, channels)
    write(path, samples, rate)
    sound = decode.read(path)
    assert (sound.rate, sound.source.format) == (rate, format_)
    assert np.array_equal(sound.samples, samples)
    assert (sound.source.bits, sound.source.lossy) == (24, False)
    found = decode.probe(path)
    assert (found.frames, found.rate, found.channels) == (FRAMES, rate, channels)


@pytest.mark.parametrize("channels", CHANNELS)
@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000, 192_000])
def test_a_lossless_m4a_comes_back_to_the_bit(tmp_path, rate, channels):
    path = tmp_path / "take"
    samples = words(rate, channels, 16)
    by_ffmpeg("alac", "ipod", "-sample_fmt", "s16p")(path, samples, rate)
    sound = decode.read(path)
    assert (sound.rate, sound.source.format, sound.source.lossy) == (rate, "M4A", False)
    assert np.array_equal(sound.samples, samples)


# Rates as the standards have them: MPEG-1, -2 and 2.5 layer III (ISO/IEC 11172-3, 13818-3), AAC
# (ISO/IEC 14496-3, at most 96 kHz), Opus (RFC 6716; libsndfile writes these five).
LOSSY = {
    "MP3": (by_soundfile("MP3", None), RATES[:7], "MP3", 1152),
    "Ogg Vorbis": (by_soundfile("OGG", "VORBIS"), RATES, "OGG", 0),
    "Ogg Opus": (by_soundfile("OGG", "OPUS"), (8_000, 12_000, 16_000, 24_000, 48_000), "OGG", 0),
    "M4A": (by_ffmpeg("aac", "ipod"), RATES[:9], "M4A", 1024),
    "AAC": (by_ffmpeg("aac", "adts"), RATES[:9], "AAC", 3 * 1024),
}


@pytest.mark.parametrize("channels", CHANNELS)
@pytest.mark.parametrize(
    ("kind", "rate"), [(kind, rate) for kind, (_, rates, *_) in LOSSY.items() for rate in rates]
)
def test_lossy_formats_keep_pitch_level_and_length(tmp_path, kind, rate, channels):
    write, _, format_, padding = LOSSY[kind]
    path = tmp_path / "take"
    n = rate  # one second
    t = np.arange(n) / rate
    hz = np.array([0.04 * rate, 0.06 * rate])[:channels]
    write(path, 0.25 * np.sin(2 * np.pi * hz * t[:, None]), rate)
    sound = decode.read(path)
    assert (sound.source.format, sound.source.lossy) == (format_, True)
    assert sound.channels == channels
    seconds = sound.frames / sound.rate
    assert -1e-3 <= seconds - 1 <= padding / rate + 0.03
    if kind != "Ogg Opus":  # which is decoded at 48 kHz or at the rate it was made from
        assert sound.rate == rate
    middle = sound.samples[sound.frames // 4 : 3 * sound.frames // 4]
    clock = np.arange(len(middle)) / sound.rate
    window = np.hanning(len(middle))
    for channel in range(channels):
        turn = np.exp(-2j * np.pi * hz[channel] * clock)
        level = 2 * abs((middle[:, channel] * window * turn).sum()) / window.sum()
        assert level == pytest.approx(0.25, rel=0.1)


@pytest.mark.parametrize("rate", [4_000, 7_999, 192_001, 384_000])
def test_other_rates_are_refused_with_the_range(tmp_path, rate):
    path = tmp_path / "take.wav"
    soundfile.write(path, np.zeros((100, 1)), rate, "PCM_24")
    with pytest.raises(BadInput, match="from 8,000 to 192,000 Hz"):
        decode.read(path)


@pytest.mark.parametrize("kind", [*EXACT, "M4A"])
@pytest.mark.parametrize("chosen", [(3, 4), (4, 1), (2,)])
def test_two_of_four_channels_in_every_format_that_has_four(tmp_path, kind, chosen):
    path = tmp_path / "take"
    samples = words(48_000, 4, 16)
    if kind == "M4A":
        by_ffmpeg("alac", "ipod", "-sample_fmt", "s16p")(path, samples, 48_000)
    else:
        EXACT[kind][0](path, samples, 48_000)
    with pytest.raises(BadInput, match="4 channels"):
        decode.read(path)
    kept = decode.read(path, channels=chosen)
    assert np.array_equal(kept.samples, samples[:, [number - 1 for number in chosen]])
