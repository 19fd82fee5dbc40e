"""Finding the leader in a take by its two chirps: where it lies, how fast, which way up.

All of a take is looked through, some minutes at a time: a leader may come late, or twice.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from panel.audio.align.take import Hint
from panel.audio.leader import signal
from panel.audio.leader.chirps import Low, Peak, Piece, near, peaks, pieces, united
from panel.audio.leader.signal import LAYOUTS, Layout
from panel.audio.reading.stretches import Recording, in_memory
from panel.audio.sound import Audio, Sound
from panel.errors import BadInput
from panel.prose import listed

_CLOCKS = 1500e-6
_MISLABELLED = (48_000 / 44_100, 44_100 / 48_000, 2.0, 0.5)
_MISLABELLED_WITHIN_S = 60.0
_SWEEP_LIKENESS = 0.5
_SWEEP_WINDOW_S = 0.1


@dataclass(frozen=True)
class LeaderIn:
    """A leader found in a take at `rate`.

    start: the leader's first moment in samples of the take (to a fraction; negative when the
    recording began a little late). drift_ppm: positive when the recorder ran slow against the
    player, so that the take is shorter. likeness: 0 to 1, of the weaker chirp.
    """

    start: float
    drift_ppm: float
    inverted: bool
    likeness: float
    rate: int
    layout: Layout = signal.USUAL

    @property
    def true_rate(self) -> float:
        """Samples of the take per second of the player's clock."""
        return self.rate / (1 + self.drift_ppm * 1e-6)

    def position(self, seconds: float) -> float:
        """The sample of the take at which that moment of the leader lies."""
        return self.start + seconds * self.true_rate

    @property
    def music_at(self) -> int:
        """The sample of the take at, or just before, which the music begins."""
        return max(0, int(np.floor(self.position(self.layout.music_at_s))))


@dataclass(frozen=True, eq=False)
class _Heard:
    """A piece of a take in one channel, and the chirps in it, in samples of the piece."""

    low: Low
    rate: float
    begin: int
    channel: int
    up: list[Peak]
    down: list[Peak]

    def layouts(self) -> list[Layout]:
        """Of every two chirps that lie as a leader's do."""
        pairs = ((first, last) for first in self.up for last in self.down)
        found = (_layout_of((last.at - first.at) / self.rate) for first, last in pairs)
        return [layout for layout in found if layout is not None]


def find(samples: Audio, rate: int, name: str = "The take") -> LeaderIn | None:
    """As `find_in`, in an array (frames, channels)."""
    return find_in(in_memory(samples, rate), name)


def find_in(recording: Recording, name: str = "The take") -> LeaderIn | None:
    """The leader in a take; None where there is no sign of one.

    One pass over the take, which is never held whole. Raises BadInput when the leader is there
    twice, or only in part, or at another speed. A chirp alone is no sign: it takes the other one
    at its distance, or the sweep.
    """
    first: _Heard | None = None
    whole: list[_Heard] = []
    layouts: list[Layout] = []
    wrong: BadInput | None = None
    for piece in pieces(recording):
        heard = _heard(piece)
        first = first or heard
        if there := heard.layouts():
            whole.append(replace(heard, low=heard.low[:0].copy()))
            layouts += there
        elif wrong is None:
            # What ends with the piece may lie whole in the next.
            wrong = _only_part(heard, name)
    if whole:
        rate = whole[0].rate
        up = united([(one.begin, one.up) for one in whole], rate)
        down = united([(one.begin, one.down) for one in whole], rate)
        if len(up) > 1 or len(down) > 1:
            raise _twice(up, down, rate, name)
        return _together(recording, whole[0].channel, rate, up[0], down[0], layouts[0], name)
    if wrong is not None:
        raise wrong
    if first is not None and not (first.up or first.down):
        _other_speed(first.low, first.rate, recording.rate, name)
    return None


def _heard(piece: Piece) -> _Heard:
    """The louder channel first. All is taken from one: the other may hear it from further away."""
    low, rate = piece.low, piece.rate
    order = sorted(range(low.shape[1]), key=lambda i: -float(np.square(low[:, i]).sum()))
    for channel in order:
        up, down = (peaks(low[:, channel], rate, rising=rising) for rising in (True, False))
        if up or down:
            return _Heard(low[:, channel], rate, piece.begin, channel, up, down)
    return _Heard(low[:, order[0]], rate, piece.begin, order[0], [], [])


def check_session(
    names: Sequence[str], rates: Sequence[int], found: Sequence[LeaderIn | None]
) -> None:
    """Whether a session's takes have the leader in all of them or in none, at one sample rate.

    Raises BadInput naming the takes in which it is missing, or whose sample rate is another.
    """
    missing = [name for name, one in zip(names, found, strict=True) if one is None]
    if len(missing) == len(names):
        return
    if missing:
        these = len(missing) > 1
        raise BadInput(
            f"The leader is missing in {listed(missing)}, and is there in the other takes.",
            hint=f"Record {'those takes' if these else 'that take'} again with the leader before "
            f"the music, or leave {'them' if these else 'it'} out; or choose, under Takes, that "
            "all are aligned by the music alone.",
        )
    usual = max(set(rates), key=list(rates).count)
    others = [(name, rate) for name, rate in zip(names, rates, strict=True) if rate != usual]
    if others:
        raise BadInput(
            "The sample rate changes within the session: "
            + ", ".join(f"{name} has {rate:,} Hz" for name, rate in others)
            + f", the others {usual:,} Hz.",
            hint="Record all takes of a session at one sample rate; or choose, under Takes, that "
            "all are aligned by the music alone.",
        )


def music(sound: Sound, found: LeaderIn, name: str = "This take") -> Sound:
    """The take from where the music begins, cut at the sample at or before it.

    Raises BadInput when nothing follows the leader.
    """
    check_music(sound.frames, found, name)
    return Sound(sound.samples[found.music_at :], sound.rate, sound.source)


def check_music(frames: int, found: LeaderIn, name: str = "This take") -> None:
    """Raise BadInput where a take of so many frames ends with its leader."""
    if found.music_at >= frames:
        raise BadInput(
            f"Nothing follows the leader in {name}.",
            hint="Let the recording run on until the music has ended.",
        )


def hint(reference: LeaderIn, other: LeaderIn) -> Hint:
    """Where the other take's music lies against the reference's, both cut by `music`.

    Both takes at one sample rate.
    """
    step = other.true_rate / reference.true_rate
    here, there = (one.position(one.layout.music_at_s) - one.music_at for one in (reference, other))
    return Hint(there - here * step, (1 / step - 1) * 1e6)


def _layout_of(apart_s: float, clocks: float = _CLOCKS) -> Layout | None:
    """The layout whose chirps lie that far apart."""
    for layout in LAYOUTS.values():
        if abs(apart_s / (layout.falling_at_s - signal.RISING_AT_S) - 1) < clocks:
            return layout
    return None


def _together(
    recording: Recording,
    channel: int,
    low_rate: float,
    up: Peak,
    down: Peak,
    layout: Layout,
    name: str,
) -> LeaderIn:
    """Both chirps looked at again at the take's own clock until its drift settles.

    A chirp at the wrong speed seems moved in time, the rising one to one side, the falling one to
    the other.
    """
    rate = recording.rate
    apart = layout.falling_at_s - signal.RISING_AT_S
    first, last = up.at * rate / low_rate, down.at * rate / low_rate
    for _ in range(5):
        speed = (last - first) / apart
        if abs(speed / rate - 1) > _CLOCKS:
            raise _torn(name, (last - first) / rate)
        first, last = (
            near(recording, channel, round(at), speed, rising=rising, sign=peak.sign)
            for at, peak, rising in ((first, up, True), (last, down, False))
        )
    speed = (last - first) / apart
    return LeaderIn(
        first - signal.RISING_AT_S * speed,
        (rate / speed - 1) * 1e6,
        up.sign < 0,
        min(up.likeness, down.likeness),
        rate,
        layout,
    )


def _only_part(heard: _Heard, name: str) -> BadInput | None:
    """What to say where chirps without their fellow have the sweep beside them."""
    low, rate, up, down = heard.low, heard.rate, heard.up, heard.down
    seconds, before = len(low) / rate, heard.begin / rate
    for at in (one.at for one in up):
        begins = at / rate - signal.RISING_AT_S
        layout = _sweep_after(low, rate, begins)
        ends_within = seconds - begins < LAYOUTS["short"].sweep_end_s
        if layout is None and not (ends_within and at < 0.5 * len(low) + rate):
            continue
        if layout is None or seconds < begins + layout.sweep_end_s:
            return BadInput(
                f"{name} ends in the leader's sweep, after {before + seconds:.1f} s.",
                hint="Let the recording run on until the music has ended; record it again.",
            )
        if seconds < begins + layout.falling_at_s + signal.CHIRP_S:
            return BadInput(
                f"{name} ends before the leader does, after {before + seconds:.1f} s.",
                hint="Let the recording run on until the music has ended; record it again.",
            )
        if down:
            return _torn(name, (down[0].at - at) / rate, layout)
        return BadInput(
            f"The leader in {name} has its first chirp and not its last.",
            hint="It was stopped, or something loud lies over it; record that take again.",
        )
    for at in (one.at for one in down):
        for layout in LAYOUTS.values():
            if _sweep_likeness(low, rate, at / rate - layout.falling_at_s, layout) > 0:
                if up and up[0].at < at:
                    return _torn(name, (at - up[0].at) / rate, layout)
                return BadInput(
                    f"{name} begins after the start of the leader: its first chirp is missing.",
                    hint="Start recording before the leader is played.",
                )
    return None


def _twice(up: list[Peak], down: list[Peak], rate: float, name: str) -> BadInput:
    more, which = (up, "first") if len(up) > 1 else (down, "last")
    return BadInput(
        f"{name} holds the leader more than once: its {which} chirp is there at "
        + listed([f"{one.at / rate:.1f} s" for one in more])
        + ".",
        hint="Cut the file so that one leader and the music after it remain.",
    )


def _torn(name: str, seconds: float, layout: Layout = signal.USUAL) -> BadInput:
    apart = layout.falling_at_s - signal.RISING_AT_S
    return BadInput(
        f"The two chirps of the leader in {name} are {seconds:.3f} s apart and not {apart:.3f} s.",
        hint="A pause, a dropout or two halves of different takes; record it again.",
    )


def _sweep_after(low: Low, rate: float, begins_s: float) -> Layout | None:
    """The layout whose sweep lies where it would after a leader's beginning."""
    found = {
        layout.key: _sweep_likeness(low, rate, begins_s, layout) for layout in LAYOUTS.values()
    }
    best = max(found, key=lambda key: found[key])
    return LAYOUTS[best] if found[best] > 0 else None


def _sweep_likeness(low: Low, rate: float, begins_s: float, layout: Layout) -> float:
    """How like the sweep the take is where the sweep should be, whatever the phase; 0 if not.

    In short windows, from 200 Hz to 0.4 of the rate; from three windows on.
    """
    sweep = layout.sweep
    grows = sweep.growth_s
    t = np.arange(int(sweep.seconds * rate)) / rate
    hz = sweep.low_hz * np.exp(t / grows)
    first, last = np.searchsorted(hz, [200.0, min(0.4 * rate, 4_500.0)])
    width = round(_SWEEP_WINDOW_S * rate)
    at = round((begins_s + signal.SWEEP_AT_S) * rate)
    likeness = []
    for start in range(int(first), int(last) - width, width):
        low_end, high_end = at + start, at + start + width
        if low_end < 0 or high_end > len(low):
            continue
        phase = 2 * np.pi * sweep.low_hz * grows * np.expm1(t[start : start + width] / grows)
        turning = np.exp(-1j * phase)
        piece = low[low_end:high_end]
        power = float(np.square(piece).sum())
        product = float(np.abs(turning @ piece))
        likeness.append(product / np.sqrt(max(power, 1e-300) * width / 2))
    if len(likeness) < 3:
        return 0.0
    middle = float(np.median(likeness))
    return middle if middle > _SWEEP_LIKENESS else 0.0


def _other_speed(low: Low, low_rate: float, rate: int, name: str) -> None:
    """Whether the take is labelled with a rate that it was not recorded at."""
    low = low[: round(_MISLABELLED_WITHIN_S * low_rate)]
    for ratio in _MISLABELLED:
        speed = low_rate * ratio
        up = peaks(low, speed, rising=True)
        down = peaks(low, speed, rising=False) if up else []
        if any(_layout_of((d.at - u.at) / speed, 0.01) for u in up for d in down):
            raise BadInput(
                f"The leader in {name} runs at {1 / ratio:.3f} times its speed: the file says "
                f"{rate:,} Hz and was recorded at about {rate * ratio:,.0f} Hz.",
                hint="Set player and recorder to one sample rate, and record it again.",
            )
