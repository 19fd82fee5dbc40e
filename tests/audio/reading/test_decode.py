"""Reading takes: every usual format exactly, and a plain refusal for everything else."""

import shutil
import struct

import numpy as np
import pytest
import soundfile

from panel.audio.reading import decode
from panel.errors import BadInput, PanelError, TooLarge

RATE = 48_000


def words(bits, frames=4800, channels=2):
    """Random integer words of `bits`, the extremes among them, as float64 full scale 1."""
    rng = np.random.default_rng(bits)
    most = 2 ** (bits - 1)
    values = rng.integers(-most, most, (frames, channels))
    values[0], values[1], values[2] = -most, most - 1, 0
    return values / most


@pytest.mark.parametrize(
    ("container", "bits"),
    [(c, b) for c in ("WAV", "WAVEX", "RF64", "AIFF", "CAF") for b in (16, 24, 32)]
    + [("FLAC", 16), ("FLAC", 24)],
)
def test_integers_come_back_exactly(tmp_path, container, bits):
    path = tmp_path / "take.bin"
    samples = words(bits)
    soundfile.write(path, (samples * 2**31).astype(np.int32), RATE, f"PCM_{bits}", format=container)
    sound = decode.read(path)
    assert np.array_equal(sound.samples, samples)
    assert sound.rate == RATE
    assert sound.source.bits == bits
    assert not sound.source.lossy
    found = decode.probe(path)
    assert (found.frames, found.channels, found.rate) == (4800, 2, RATE)


@pytest.mark.parametrize("container", ["WAV", "RF64", "AIFF", "CAF"])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_floats_come_back_exactly_above_full_scale_too(tmp_path, container, subtype):
    samples = np.random.default_rng(1).standard_normal((3000, 1)) * 2
    if subtype == "FLOAT":
        samples = samples.astype(np.float32).astype(np.float64)
    path = tmp_path / "take"
    soundfile.write(path, samples, 96_000, subtype, format=container)
    assert np.array_equal(decode.read(path).samples, samples)
    assert np.abs(samples).max() > 1


@pytest.mark.parametrize(
    ("container", "subtype"), [("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", None)]
)
def test_lossy_formats_are_read_and_called_lossy(tmp_path, make, container, subtype):
    path = tmp_path / "take.wav"  # the name lies; the content decides
    tone = make.musical(1, 1)
    soundfile.write(path, tone, RATE, subtype, format=container)
    sound = decode.read(path)
    assert sound.source.lossy
    assert sound.seconds == pytest.approx(1.0, abs=0.06)
    assert np.square(sound.samples).mean() == pytest.approx(np.square(tone).mean(), rel=0.05)


def test_channels_are_chosen_by_number(tmp_path):
    samples = words(24, 500, 7)
    path = tmp_path / "seven.wav"
    soundfile.write(path, samples, RATE, "PCM_24")
    with pytest.raises(BadInput, match=r"7 channels.*Choose two"):
        decode.read(path)
    assert np.array_equal(decode.read(path, channels=(3, 6)).samples, samples[:, [2, 5]])
    assert np.array_equal(decode.read(path, channels=(7,)).samples, samples[:, [6]])
    for wrong in [(0, 1), (1, 8), (1, 2, 3), ()]:
        with pytest.raises(BadInput, match="channels 1 to 7"):
            decode.read(path, channels=wrong)


def refuse(path, message, error=BadInput):
    with pytest.raises(error, match=message) as caught:
        decode.read(path)
    assert caught.value.hint
    return caught.value


def test_empty_file(tmp_path):
    path = tmp_path / "take.wav"
    path.write_bytes(b"")
    refuse(path, "empty")


@pytest.mark.parametrize(
    "content",
    [
        b"These are words, not sound.\n" * 50,
        b"ffconcat version 1.0\nfile /etc/hostname\n",
        b"#EXTM3U\n#EXTINF:1,\nfile:///etc/hostname\n",
        b"\x89PNG\r\n\x1a\n" + bytes(200),
        b"RIFF\x24\x00\x00\x00AVI " + bytes(100),
        b"\x00",
    ],
    ids=["words", "a list of other files", "a playlist", "a picture", "a film", "one byte"],
)
def test_what_is_no_sound_is_refused_whatever_its_name(tmp_path, content):
    path = tmp_path / "take.wav"
    path.write_bytes(content)
    refuse(path, "not a sound file")


def test_a_list_of_files_is_refused_by_the_bundled_decoder_itself(tmp_path):
    """Behind the first bytes stands the whitelist: the script must not open the other file."""
    from panel.audio.reading import bundled

    soundfile.write(tmp_path / "secret.wav", words(16), RATE)
    path = tmp_path / "take.wav"
    path.write_text(f"ffconcat version 1.0\nfile {tmp_path / 'secret.wav'}\n")
    with pytest.raises(BadInput):
        bundled.probe(path, "take")
    with pytest.raises(BadInput):
        bundled.decode(path, "take", 10, 10_000_000)


def test_folder_and_missing_file(tmp_path):
    refuse(tmp_path, "not a file")
    refuse(tmp_path / "nothing.wav", "cannot be opened")


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_samples_that_are_no_numbers(tmp_path, value):
    samples = np.zeros((1000, 2))
    samples[480, 1] = value
    path = tmp_path / "take.wav"
    soundfile.write(path, samples, RATE, "FLOAT")
    refuse(path, r"not numbers, the first at 0\.010 s")


@pytest.mark.parametrize("container", ["WAV", "AIFF", "CAF"])
def test_zero_frames(tmp_path, container):
    path = tmp_path / "take.wav"
    soundfile.write(path, np.zeros((0, 1)), RATE, "PCM_16", format=container)
    refuse(path, "zero frames|no sound|damaged")


def test_eight_hours_are_refused_before_they_are_decoded(tmp_path):
    path = tmp_path / "long.wav"
    frames = 8 * 3600 * 8000
    header = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + frames, b"WAVE", b"fmt ", 16, 1, 1,
                         8000, 8000, 1, 8, b"data", frames)  # fmt: skip
    with path.open("wb") as file:
        file.write(header)
        file.truncate(44 + frames)  # a sparse file: eight hours of nothing
    error = refuse(path, "lasts 8 hours; a take may last at most 3 hours", TooLarge)
    assert error.status == 413


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "AIFF", "FLAC", "CAF", "OGG"])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.75, 0.98])
def test_a_file_cut_short_is_refused(tmp_path, container, share):
    path = tmp_path / "take"
    subtype = "VORBIS" if container == "OGG" else "PCM_24"
    samples = 0.5 * words(24, 20_000)
    soundfile.write(path, samples, RATE, subtype, format=container)
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    refuse(path, "cut short|damaged|missing|not a sound file")


def test_a_header_that_promises_more_than_there_is(tmp_path):
    path = tmp_path / "take.wav"
    soundfile.write(path, words(16), RATE, "PCM_16")
    data = bytearray(path.read_bytes())
    at = data.index(b"data") + 4
    data[at : at + 4] = struct.pack("<I", 10**6)
    path.write_bytes(data)
    refuse(path, r"promises 1,000,000 bytes of sound, and 19,200 are there")


def test_a_streamed_wav_without_length_is_read_to_its_end(tmp_path):
    path = tmp_path / "take.wav"
    samples = words(16)
    soundfile.write(path, samples, RATE, "PCM_16")
    data = bytearray(path.read_bytes())
    at = data.index(b"data") + 4
    data[at : at + 4] = data[4:8] = b"\xff" * 4
    path.write_bytes(data)
    assert np.array_equal(decode.read(path).samples, samples)


def places(size, header):
    return [*range(header), *np.linspace(header, size - 1, 12).astype(int)]


@pytest.mark.parametrize(("container", "header"), [("WAV", 44), ("AIFF", 54), ("CAF", 80)])
def test_damage_to_a_header_gives_the_take_or_a_refusal(tmp_path, container, header):
    """Each byte of the header is spoiled in turn: never half a take, never another exception.

    These formats carry no checksum: a spoiled rate that stays consistent, a spoiled note or the
    sound itself cannot be recognised, but frames and channels must be those recorded.
    """
    path = tmp_path / "take"
    samples = words(16, 600, 2)
    soundfile.write(path, samples, RATE, "PCM_16", format=container)
    good = path.read_bytes()
    read = refused = 0
    for at in range(header):
        for spoiled in {good[at] ^ 0xFF, good[at] ^ 0x01, 0x00} - {good[at]}:
            path.write_bytes(good[:at] + bytes([spoiled]) + good[at + 1 :])
            try:
                sound = decode.read(path)
            except PanelError:
                refused += 1
            else:
                assert sound.samples.shape == samples.shape, f"byte {at} made half a take"
                read += 1
    assert refused > header // 2
    assert read > 0


def test_damage_to_a_flac_gives_the_take_or_a_refusal(tmp_path):
    """FLAC carries an MD5 of its sound: whatever is read must be what was recorded."""
    path = tmp_path / "take.flac"
    samples = words(24, 6000, 2) * 0.1
    samples = np.round(samples * 2**23) / 2**23
    soundfile.write(path, samples, RATE, "PCM_24")
    good = path.read_bytes()
    refused = 0
    for at in places(len(good), 60):
        path.write_bytes(good[:at] + bytes([good[at] ^ 0x55]) + good[at + 1 :])
        try:
            sound = decode.read(path)
        except PanelError:
            refused += 1
        else:
            if sound.samples.shape == samples.shape and sound.samples.any():
                assert np.array_equal(sound.samples, samples)
            else:
                pytest.fail(f"byte {at} made half a take")
    assert refused > 30


def encoded(tmp_path, samples, codec, name, *more):
    """Written by the bundled program; the tests' only use of it as a writer."""
    import subprocess

    from imageio_ffmpeg import get_ffmpeg_exe

    source, out = tmp_path / "source.wav", tmp_path / name
    soundfile.write(source, samples, RATE, "PCM_16")
    subprocess.run(
        [get_ffmpeg_exe(), "-v", "error", "-y", "-i", source, "-c:a", codec, *more, out], check=True
    )
    return out


def test_m4a_with_aac(tmp_path, make):
    tone = make.musical(1, 2, channels=2)
    path = encoded(tmp_path, tone, "aac", "take.m4a", "-b:a", "192k")
    renamed = shutil.copy(path, tmp_path / "take.wav")
    sound = decode.read(renamed)
    assert (sound.source.format, sound.source.subtype, sound.source.lossy) == ("M4A", "AAC", True)
    assert sound.rate == RATE
    assert sound.channels == 2
    assert sound.seconds == pytest.approx(1.0, abs=0.03)
    left = sound.samples[:RATE] - tone[: len(sound.samples)]
    assert np.square(left).sum() < 0.03 * np.square(tone).sum()  # coded noise


def test_m4a_with_a_lossless_codec_is_exact(tmp_path):
    samples = words(16) * 0.5
    samples = np.round(samples * 2**15) / 2**15
    sound = decode.read(encoded(tmp_path, samples, "alac", "take.m4a"))
    assert np.array_equal(sound.samples, samples)
    assert not sound.source.lossy
    assert sound.source.bits == 16


@pytest.mark.parametrize("share", [0.2, 0.6, 0.9])
def test_an_m4a_cut_short_is_refused(tmp_path, make, share):
    path = encoded(tmp_path, make.musical(1, 3), "aac", "take.m4a", "-movflags", "faststart")
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    refuse(path, "damaged|cut short|no sound")


@pytest.mark.parametrize("kind", ["WAV", "AIFF", "CAF", "RF64"])
def test_a_file_that_ends_within_its_header_is_refused_wherever_it_ends(tmp_path, kind):
    whole = tmp_path / f"whole.{kind.lower()}"
    soundfile.write(whole, np.zeros((48, 2)), RATE, "PCM_24", format=kind)
    content = whole.read_bytes()
    refused = 0
    for length in range(len(content) - 48 * 6):
        cut = tmp_path / "cut"
        cut.write_bytes(content[:length])
        with pytest.raises(BadInput):
            decode.read(cut)
        refused += 1
    assert refused > 40
