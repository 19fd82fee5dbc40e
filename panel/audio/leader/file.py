"""The leader as a file to be played into the equipment, with the words that go with it."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from panel.audio.leader import signal
from panel.audio.prepare import prints
from panel.audio.prepare.clips import resampled
from panel.audio.reading import decode
from panel.errors import BadInput, Conflict

USUAL_RATE = 48_000


@dataclass(frozen=True, eq=False)
class LeaderFile:
    """A 24-bit WAV file, and what to tell whoever made it."""

    content: bytes
    rate: int
    seconds: float
    music_at_s: float
    loudness_lufs: float
    notes: tuple[str, ...]


def made(
    rate: int | None = None,
    music: Path | None = None,
    length: str = "usual",
    name: str = "",
) -> LeaderFile:
    """The leader, and `music` after it.

    Without `rate`: that of the music where a leader can have it, or 48 kHz. `length`: a key of
    leader.LAYOUTS. `name`: what the music is called in sentences. Raises BadInput for another
    rate or length, and for music that cannot be used.
    """
    if length not in signal.LAYOUTS:
        raise BadInput(
            f"There is no leader of the length “{length}”.",
            hint="Choose " + ", ".join(signal.LAYOUTS) + ".",
        )
    sound = None if music is None else decode.read(music, name=name)
    if rate is None:
        known = sound is not None and sound.rate in signal.RATES
        rate = sound.rate if sound is not None and known else USUAL_RATE
    samples, notes = None, []
    if sound is not None:
        samples = sound.samples
        if sound.rate != rate and rate in signal.RATES:
            samples = resampled(samples, sound.rate, rate)
            notes.append(f"The music was brought from {sound.rate:,} to {rate:,} Hz.")
        if sound.source.lossy:
            notes.append(
                "The music comes from a lossy format: good enough to play in, as long as it is "
                "the same file each time."
            )
    whole = signal.make(rate, samples, signal.LAYOUTS[length])
    return LeaderFile(
        prints.wav24(whole.samples, rate, np.random.default_rng()),
        rate,
        len(whole.samples) / rate,
        whole.music_at_s,
        whole.loudness_lufs,
        tuple(notes),
    )


def write(
    out: Path, rate: int | None = None, music: Path | None = None, length: str = "usual"
) -> list[str]:
    """Write the leader, and `music` after it, as 24-bit WAV; returns what to tell the person.

    Raises Conflict when `out` is there already, BadInput for another ending, and as `made` does.
    Nothing is left behind on an error.
    """
    if out.suffix.lower() not in (".wav", ".wave"):
        raise BadInput(f"{out} does not end in .wav.", hint="A leader is written as a WAV file.")
    if out.exists():
        raise Conflict(f"{out} is there already.", hint="Name another file, or remove it first.")
    if not out.parent.is_dir():
        raise BadInput(f"There is no folder {out.parent}.", hint="Make it first, or name another.")
    file = made(rate, music, length)
    try:
        with out.open("xb") as opened:
            opened.write(file.content)
    except FileExistsError:
        raise Conflict(f"{out} is there already.", hint="Name another file.") from None
    except OSError as error:
        out.unlink(missing_ok=True)
        raise Conflict(
            f"{out} cannot be written: {error.strerror}.", hint="Check the folder and the disk."
        ) from None
    return [
        f"Wrote {out}: {file.seconds:.1f} s, {file.rate:,} Hz, 24 bits. The music begins at "
        f"{file.music_at_s:.1f} s.",
        f"The leader's loudness is {file.loudness_lufs:.1f} LUFS".replace("-", "−")
        + ("." if music is None else ": no louder than the music."),
        *file.notes,
        "Play the same file into the equipment for every take, and record from before its start "
        "to after its end, at one sample rate and one gain.",
        f"Hearing: {signal.HEARING}",
        "Inside mains-powered and valve equipment voltages can kill, even unplugged: leave that "
        "work to a qualified technician, under your local rules.",
    ]
