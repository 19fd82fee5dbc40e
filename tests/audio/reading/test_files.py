"""Takes read by the stretch hold what reading them whole gives."""

import threading

import numpy as np
import pytest
import soundfile

from panel.audio.reading import decode, files, stretches
from panel.errors import BadInput

RATE = 44_100
FORMATS = [
    ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"), ("RF64", "PCM_24"),
    ("AIFF", "PCM_24"), ("CAF", "PCM_24"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24"),
    ("CAF", "ALAC_24"), ("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III"),
    ("WAV", "GSM610"),
]  # fmt: skip


@pytest.fixture
def write(tmp_path, make):
    def written(container, subtype, channels=2, seconds=3.3):
        path = tmp_path / "take"
        if subtype == "GSM610":
            channels = 1
        rate = 48_000 if subtype == "OPUS" else RATE
        samples = make.plucked(seconds, 5, rate, channels)
        soundfile.write(path, samples, rate, subtype, format=container)
        return path

    return written


@pytest.mark.parametrize(("container", "subtype"), FORMATS)
def test_any_stretch_is_that_of_the_whole(write, container, subtype):
    path = write(container, subtype)
    whole = decode.read(path)
    recording = files.opened(path, begin=1234)
    samples = whole.samples[1234:]
    assert (recording.rate, recording.channels) == (whole.rate, whole.channels)
    assert recording.frames == len(samples)
    assert recording.source == whole.source
    for first, last in ((0, 10), (70_001, 90_000), (5, 40_000), (len(samples) - 7, len(samples))):
        assert np.array_equal(recording.span(first, last), samples[first:last])
    around = recording.span(-3, 4)
    assert not around[:3].any()
    assert np.array_equal(around[3:], samples[:4])
    assert not recording.span(len(samples), len(samples) + 9).any()
    assert np.array_equal(np.concatenate(list(recording.blocks())), samples.astype(np.float32))


def test_m4a_is_decoded_once_and_read_by_the_stretch(tmp_path, make):
    import subprocess

    from imageio_ffmpeg import get_ffmpeg_exe

    soundfile.write(tmp_path / "a.wav", make.plucked(2, 5), 48_000, "PCM_24")
    command = [get_ffmpeg_exe(), "-v", "error", "-i", tmp_path / "a.wav", tmp_path / "a.m4a"]
    subprocess.run(command, check=True)
    whole = decode.read(tmp_path / "a.m4a")
    recording = files.opened(tmp_path / "a.m4a", begin=500)
    assert recording.frames == whole.frames - 500
    assert np.array_equal(recording.span(1000, 2000), whole.samples[1500:2500])


def test_two_channels_are_chosen(tmp_path):
    samples = np.random.default_rng(1).integers(-9999, 9999, (5000, 4)) / 2**15
    soundfile.write(tmp_path / "four.wav", samples, RATE, "PCM_16")
    recording = files.opened(tmp_path / "four.wav", channels=(4, 2))
    assert np.array_equal(recording.span(100, 200), samples[100:200][:, [3, 1]])
    with pytest.raises(BadInput, match="4 channels"):
        files.opened(tmp_path / "four.wav")


def test_several_may_read_at_once(write):
    path = write("FLAC", "PCM_24")
    samples, recording = decode.read(path).samples, files.opened(path)
    wrong = []

    def reading_on(seed):
        rng = np.random.default_rng(seed)
        for _ in range(60):
            first = int(rng.integers(0, len(samples) - 500))
            if not np.array_equal(recording.span(first, first + 500), samples[first : first + 500]):
                wrong.append(first)

    threads = [threading.Thread(target=reading_on, args=(i,)) for i in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not wrong


def test_a_damaged_flac_file_is_refused_where_it_is_checked(write):
    path = write("FLAC", "PCM_24")
    good = sum(len(block) for block in files.opened(path, checked=True).blocks())
    assert good == decode.probe(path).frames
    held = bytearray(path.read_bytes())
    for at in range(len(held) // 2, len(held) // 2 + 40):
        held[at] ^= 0x5A
    path.write_bytes(held)
    with pytest.raises(BadInput, match="damaged"):
        list(files.opened(path, checked=True).blocks())


def test_samples_that_are_no_numbers_are_refused_with_their_place(tmp_path):
    samples = np.zeros((2 * RATE, 1))
    samples[RATE] = np.nan
    soundfile.write(tmp_path / "nan.wav", samples, RATE, "FLOAT")
    recording = files.opened(tmp_path / "nan.wav", begin=100)
    assert not recording.span(0, RATE - 100).any()
    with pytest.raises(BadInput, match=r"not numbers, the first at 1\.000 s"):
        recording.span(0, 2 * RATE - 100)
    with pytest.raises(BadInput, match=r"not numbers, the first at 1\.000 s"):
        list(recording.blocks())


def test_another_rate_keeps_the_time_of_every_sample(write, make):
    import soxr

    path = write("WAV", "DOUBLE")
    recording = files.opened(path)
    faster = stretches.at_rate(recording, 48_000)
    assert faster is stretches.at_rate(recording, 48_000)
    by_whole = soxr.resample(decode.read(path).samples, RATE, 48_000, "VHQ")
    assert faster.frames == len(by_whole)
    assert np.abs(faster.span(0, faster.frames) - by_whole).max() < 1e-6
