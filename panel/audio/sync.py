"""Finding the leader in a take by its two chirps: where it lies, how fast, which way up."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio import leader
from panel.audio.align import Alignment
from panel.audio.prepare import TakeSound
from panel.audio.sound import Audio, Sound
from panel.audio.warp import at_positions
from panel.errors import BadInput

Floats = NDArray[np.float64]

LEAST_LIKENESS = 0.25
"""Correlation with a chirp, of what is under it, from which it counts as found."""

_APART_S = 0.5
_CLOCKS = 1500e-6
_MISLABELLED = (48_000 / 44_100, 44_100 / 48_000, 2.0, 0.5)


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

    @property
    def true_rate(self) -> float:
        """Samples of the take per second of the player's clock."""
        return self.rate / (1 + self.drift_ppm * 1e-6)

    def position(self, seconds: float) -> float:
        """The sample of the take at which that moment of the leader lies."""
        return self.start + seconds * self.true_rate


def find(samples: Audio, rate: int, name: str = "The take") -> LeaderIn | None:
    """The leader in a take (frames, channels); None where there is no sign of one.

    Raises BadInput when it is there twice, or only in part, or at another speed.
    """
    up, down = (_peaks(samples, rate, rate, rising=rising) for rising in (True, False))
    if not up and not down:
        _other_speed(samples, rate, name)
        return None
    if len(up) > 1 or len(down) > 1:
        raise BadInput(
            f"{name} holds the leader more than once: at "
            + " and ".join(f"{at / rate - leader.RISING_AT_S:.1f} s" for at, _, _ in up or down)
            + ".",
            hint="Cut the file so that one leader and the music after it remain.",
        )
    if not up:
        raise BadInput(
            f"{name} begins after the start of the leader: its first chirp is missing.",
            hint="Start recording before the leader is played.",
        )
    if not down:
        _ends_early(samples.shape[0] / rate, up[0][0] / rate, name)
    return _together(samples, rate, up[0], down[0], name)


def find_in_all(takes: Sequence[TakeSound]) -> list[LeaderIn | None]:
    """The leader of every take of one session: in all of them, or in none.

    Raises BadInput naming the takes in which it is missing, or whose sample rate is another.
    """
    found = [find(take.sound.samples, take.sound.rate, take.name) for take in takes]
    missing = [take.name for take, one in zip(takes, found, strict=True) if one is None]
    if not missing or len(missing) == len(takes):
        rates = [take.sound.rate for take in takes]
        usual = max(set(rates), key=rates.count, default=0)
        others = [take for take in takes if take.sound.rate != usual]
        if others and not missing:
            raise BadInput(
                "The sample rate changes within the session: "
                + ", ".join(f"{take.name} has {take.sound.rate:,} Hz" for take in others)
                + f", the others {usual:,} Hz.",
                hint="Record all takes of a session at one sample rate.",
            )
        return found
    raise BadInput(
        f"The leader is missing in {_listed(missing)}, and is there in the other takes.",
        hint="Record that take again with the leader before the music, or leave it out.",
    )


def music(sound: Sound, found: LeaderIn) -> Sound:
    """The take from where the music begins, cut at the sample at or before it.

    Raises BadInput when nothing follows the leader.
    """
    at = max(0, int(np.floor(found.position(leader.MUSIC_AT_S))))
    if at >= sound.frames:
        raise BadInput(
            "Nothing follows the leader in this take.",
            hint="Let the recording run on until the music has ended.",
        )
    return Sound(sound.samples[at:], sound.rate, sound.source)


def alignment(reference: LeaderIn, other: LeaderIn) -> Alignment:
    """Of two takes at one sample rate, as `align.align` would give it from their music."""
    step = other.true_rate / reference.true_rate
    return Alignment(
        other.start - reference.start * step,
        (1 / step - 1) * 1e6,
        reference.inverted != other.inverted,
        False,
        min(reference.likeness, other.likeness),
    )


Peak = tuple[float, float, float]
"""Sample at which a chirp begins, likeness, sign."""


def _peaks(samples: Audio, rate: int, speed: float, *, rising: bool) -> list[Peak]:
    """Every chirp in the channel that holds it best, played at `speed` samples a second."""
    from scipy.signal import oaconvolve

    shape = leader.chirp(speed, rising=rising)
    if samples.shape[0] < len(shape):
        return []
    best: list[Peak] = []
    for channel in samples.T:
        product = oaconvolve(channel, shape[::-1], mode="valid")
        total = np.concatenate(([0.0], np.cumsum(np.square(channel))))
        under = total[len(shape) :] - total[: -len(shape)]
        floor = 1e-9 * float(under.max(initial=0.0)) + 1e-300
        likeness = product / np.sqrt(np.square(shape).sum() * (under + floor))
        found: list[Peak] = []
        height = np.abs(likeness)
        while len(found) < 4:
            at = int(height.argmax())
            if height[at] < max(LEAST_LIKENESS, 0.5 * (found[0][1] if found else 0.0)):
                break
            sign = float(np.sign(product[at]))
            found.append((_between(sign * product, at), float(height[at]), sign))
            height[max(0, at - round(_APART_S * rate)) : at + round(_APART_S * rate)] = 0.0
        if sum(p[1] for p in found) > sum(p[1] for p in best):
            best = found
    return sorted(best)


def _between(product: Floats, at: int) -> float:
    """The top of a band-limited correlation near sample `at`, to a thousandth of a sample."""
    low = max(0, at - 96)
    piece = product[low : at + 97, None]
    centre, width = float(at), 1.0
    for _ in range(3):
        step = width / 16
        values = at_positions(piece, centre - width - low, step, 33)[:, 0]
        centre += (int(values.argmax()) - 16) * step
        width = 2 * step
    return centre


def _together(samples: Audio, rate: int, up: Peak, down: Peak, name: str) -> LeaderIn:
    """Both chirps looked at again at the take's own clock until its drift settles.

    A chirp at the wrong speed seems moved in time, the rising one to one side, the falling one to
    the other.
    """
    apart = leader.FALLING_AT_S - leader.RISING_AT_S
    first, last = up[0], down[0]
    for _ in range(4):
        speed = (last - first) / apart
        if abs(speed / rate - 1) > _CLOCKS:
            raise BadInput(
                f"The two chirps of the leader in {name} are {(last - first) / rate:.3f} s apart "
                f"and not {apart:.3f} s.",
                hint="A pause, a dropout or two halves of different takes; record it again.",
            )
        first, last = (
            _near(samples, round(at), speed, rate, rising=rising, sign=peak[2])
            for at, peak, rising in ((first, up, True), (last, down, False))
        )
    speed = (last - first) / apart
    return LeaderIn(
        first - leader.RISING_AT_S * speed,
        (rate / speed - 1) * 1e6,
        up[2] < 0,
        min(up[1], down[1]),
        rate,
    )


def _near(samples: Audio, at: int, speed: float, rate: int, *, rising: bool, sign: float) -> float:
    """The chirp within a few samples of `at`, in the sum of the channels that hold it."""
    from scipy.signal import oaconvolve

    shape = leader.chirp(speed, rising=rising)
    reach = 160
    low = at - reach
    piece = np.zeros((len(shape) + 2 * reach, samples.shape[1]))
    begin, end = max(low, 0), min(low + len(piece), samples.shape[0])
    piece[begin - low : end - low] = samples[begin:end]
    products = oaconvolve(piece, shape[::-1, None], mode="valid", axes=0)
    channel = products[:, int(np.abs(products).max(axis=0).argmax())] * sign
    middle = channel[reach - 16 : reach + 17]
    return low + _between(channel, reach - 16 + int(middle.argmax()))


def _ends_early(seconds: float, rising_at_s: float, name: str) -> None:
    begins = rising_at_s - leader.RISING_AT_S
    if seconds < begins + leader.SWEEP_END_S:
        raise BadInput(
            f"{name} ends in the leader's sweep, after {seconds:.1f} s.",
            hint="Let the recording run on until the music has ended; record it again.",
        )
    if seconds < begins + leader.FALLING_AT_S + leader.CHIRP_S:
        raise BadInput(
            f"{name} ends before the leader does, after {seconds:.1f} s.",
            hint="Let the recording run on until the music has ended; record it again.",
        )
    raise BadInput(
        f"The leader in {name} has its first chirp and not its last.",
        hint="It was stopped, or something loud lies over it; record that take again.",
    )


def _other_speed(samples: Audio, rate: int, name: str) -> None:
    """Whether the take is labelled with a rate that it was not recorded at."""
    for ratio in _MISLABELLED:
        speed = rate * ratio
        if _peaks(samples, rate, speed, rising=True) and _peaks(samples, rate, speed, rising=False):
            raise BadInput(
                f"The leader in {name} runs at {1 / ratio:.3f} times its speed: the file says "
                f"{rate:,} Hz and was recorded at about {speed:,.0f} Hz.",
                hint="Set player and recorder to one sample rate, and record it again.",
            )


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
