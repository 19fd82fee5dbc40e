"""The leader as a file to be played into the equipment, with the words that go with it."""

from pathlib import Path

import numpy as np

from panel.audio import decode, leader, prints
from panel.audio.prepare import resampled
from panel.errors import BadInput, Conflict

USUAL_RATE = 48_000


def write(out: Path, rate: int | None = None, music: Path | None = None) -> list[str]:
    """Write the leader, and `music` after it, as 24-bit WAV; returns what to tell the person.

    Without `rate`: that of the music where a leader can have it, or 48 kHz. Raises Conflict when
    `out` is there already, BadInput for another ending, rate, or music that cannot be used.
    Nothing is left behind on an error.
    """
    if out.suffix.lower() not in (".wav", ".wave"):
        raise BadInput(f"{out} does not end in .wav.", hint="A leader is written as a WAV file.")
    if out.exists():
        raise Conflict(f"{out} is there already.", hint="Name another file, or remove it first.")
    if not out.parent.is_dir():
        raise BadInput(f"There is no folder {out.parent}.", hint="Make it first, or name another.")
    sound = None if music is None else decode.read(music)
    if rate is None:
        known = sound is not None and sound.rate in leader.RATES
        rate = sound.rate if sound is not None and known else USUAL_RATE
    samples, notes = None, []
    if sound is not None:
        samples = sound.samples
        if sound.rate != rate and rate in leader.RATES:
            samples = resampled(samples, sound.rate, rate)
            notes.append(f"The music was brought from {sound.rate:,} to {rate:,} Hz.")
        if sound.source.lossy:
            notes.append(
                "The music comes from a lossy format: good enough to play in, as long as it is "
                "the same file each time."
            )
    made = leader.make(rate, samples)
    content = prints.wav24(made.samples, rate, np.random.default_rng())
    try:
        with out.open("xb") as file:
            file.write(content)
    except FileExistsError:
        raise Conflict(f"{out} is there already.", hint="Name another file.") from None
    except OSError as error:
        out.unlink(missing_ok=True)
        raise Conflict(
            f"{out} cannot be written: {error.strerror}.", hint="Check the folder and the disk."
        ) from None
    seconds = len(made.samples) / rate
    return [
        f"Wrote {out}: {seconds:.1f} s, {rate:,} Hz, 24 bits. The music begins at "
        f"{made.music_at_s:.1f} s.",
        f"The leader's loudness is {made.loudness_lufs:.1f} LUFS".replace("-", "−")
        + ("." if sound is None else ": no louder than the music."),
        *notes,
        "Play the same file into the equipment for every take, and record from before its start "
        "to after its end, at one sample rate and one gain.",
        f"Hearing: {leader.HEARING}",
        "Inside mains-powered and valve equipment voltages can kill, even unplugged: leave that "
        "work to a qualified technician, under your local rules.",
    ]
