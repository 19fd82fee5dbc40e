"""How votes come in: counts as words, bars over time, and a look that an anytime plan allows."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from panel.prose import plural
from panel.stages.conclude.early_look import Look
from panel.stages.conclude.watch import Progress

MOST_BARS = 96
WIDTHS = (1, 3, 6, 12, 24)  # of a bar, in hours
LEAST_PLACES = 12  # few bars are no wider than these many would be
SMALLEST_P = 0.0001


@dataclass(frozen=True)
class ShownCount:
    """A line of the counts; `key` is its name in the page's live stream."""

    key: str
    name: str
    count: str


@dataclass(frozen=True)
class ShownBar:
    x: str
    y: str
    width: str
    height: str
    said: str


@dataclass(frozen=True)
class DrawnBars:
    """Bars of votes over time in one size: places in the units of its view box."""

    kind: str
    width: int
    height: int
    left: int
    right: int
    base: int
    top: int
    bars: tuple[ShownBar, ...]
    end_x: str


@dataclass(frozen=True)
class ShownBars:
    """The same bars for wide and narrow screens, and the words beside them; `last` is "" where
    there is one bar only."""

    said: str
    drawn: tuple[DrawnBars, ...]
    highest: int
    first: str
    last: str
    unit: str


@dataclass(frozen=True)
class ShownLook:
    """One question at this moment: its facts, (what, how much)."""

    name: str
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class _Size:
    """A size in which the bars are drawn; `high` is the length of the highest."""

    kind: str
    width: int
    left: int
    base: int
    high: int


SIZES = (_Size("wide", 640, 60, 150, 120), _Size("narrow", 320, 40, 130, 100))
RIGHT_MARGIN = 20


def shown_counts(progress: Progress) -> tuple[ShownCount, ...]:
    lines = [
        ShownCount("votes", "Votes", f"{progress.votes} of {progress.planned_votes} planned"),
        ShownCount("invited", "Invited by mail", str(progress.invited)),
        ShownCount("joined", "Joined by the open link", str(progress.joined)),
        ShownCount("opened", "Opened their link", str(progress.opened)),
        ShownCount("checked", "Past the headphone check, done or left out", str(progress.checked)),
        ShownCount("finished", "Finished", str(progress.finished)),
        ShownCount("declined", "Declined", str(progress.declined)),
        ShownCount("shared", "Answered in more than one browser", str(progress.shared)),
        ShownCount("withdrew", "Withdrew", str(progress.withdrew)),
    ]
    planted = _planted(progress)
    if planted:
        lines.append(ShownCount("planted", "Planted check", planted))
    return tuple(lines)


def shown_bars(progress: Progress) -> ShownBars | None:
    """Bars of equal width without gaps in time: hours, or as many hours as still fit."""
    if not progress.hours:
        return None
    width, bars = bars_of(progress.hours)
    highest = max(count for _, count in bars)
    first, last = bars[0][0], bars[-1][0]
    unit = _unit(width)
    return ShownBars(
        said=f"Votes by time: {progress.votes} votes since {first.day} {first:%B, %H:%M} UTC; at "
        f"most {highest} in {unit}.",
        drawn=tuple(_drawn(bars, highest, size) for size in SIZES),
        highest=highest,
        first=_short(first),
        last=_short(last) if len(bars) > 1 else "",
        unit=unit,
    )


def shown_look(look: Look) -> ShownLook:
    return ShownLook(look.name, tuple(_facts(look)) if look.trials else ())


def correction(looks: Sequence[Look]) -> str:
    """Which correction p still lacks."""
    return f"before any correction for asking {plural(len(looks), 'question')}"


def _planted(progress: Progress) -> str:
    planted = progress.planted
    if planted is not None:
        return (
            f"{planted.right} of {planted.trials} right, the first {planted.listeners} "
            "listeners to finish taken together"
        )
    return "shown once five listeners have finished" if progress.has_check else ""


def bars_of(
    hours: Sequence[tuple[datetime, int]],
) -> tuple[int, tuple[tuple[datetime, int], ...]]:
    """The width of a bar in hours, and the bars: when each begins, and its votes."""
    span = int((hours[-1][0] - hours[0][0]).total_seconds() // 3600) + 1
    width = next((w for w in WIDTHS if span <= MOST_BARS * w), WIDTHS[-1])
    start = hours[0][0].replace(hour=hours[0][0].hour // width * width)
    counts: dict[int, int] = {}
    for at, count in hours:
        place = int((at - start).total_seconds() // 3600) // width
        counts[place] = counts.get(place, 0) + count
    return width, tuple(
        (start + timedelta(hours=width * place), counts.get(place, 0))
        for place in range(max(counts) + 1)
    )


def _unit(width: int) -> str:
    return {1: "an hour", 24: "a day"}.get(width, f"{width} hours")


def _short(at: datetime) -> str:
    return f"{at.day} {at:%b %H:%M}"


def _drawn(bars: Sequence[tuple[datetime, int]], highest: int, size: _Size) -> DrawnBars:
    right = size.width - RIGHT_MARGIN
    step = (right - size.left) / max(len(bars), LEAST_PLACES)
    drawn = []
    for place, (at, count) in enumerate(bars):
        height = size.high * count / highest
        if count:
            drawn.append(
                ShownBar(
                    x=f"{size.left + place * step + step * 0.1:.2f}",
                    y=f"{size.base - height:.2f}",
                    width=f"{step * 0.8:.2f}",
                    height=f"{height:.2f}",
                    said=f"{_short(at)} UTC: {count}",
                )
            )
    return DrawnBars(
        kind=size.kind,
        width=size.width,
        height=size.base + 46,
        left=size.left,
        right=right,
        base=size.base,
        top=size.base - size.high,
        bars=tuple(drawn),
        end_x=f"{max(size.left + len(bars) * step, size.left + 210):.2f}",
    )


def _facts(look: Look) -> list[tuple[str, str]]:
    facts = []
    if look.count is None:
        facts.append(("Votes across conditions", str(look.trials)))
    else:
        share, guessing = 100 * look.count / look.trials, 100 * look.chance
        facts.append(
            (
                f"Votes for {look.toward}" if look.toward else "Right answers",
                f"{look.count} of {look.trials} ({share:.0f} %; guessing gives {guessing:.0f} %)",
            )
        )
    if look.interval:
        low, high = look.interval
        facts.append(
            (
                f"Share over listeners, {100 * look.confidence:.3g} % at every look",
                f"{100 * low:.0f} to {100 * high:.0f} %",
            )
        )
    else:
        facts.append(
            (
                "Share over listeners",
                "too early for an interval: no listener has done all their trials of this question",
            )
        )
    if look.e_value is not None:
        facts.append(("Evidence against guessing", f"{look.e_value:.3g} times"))
    if look.p_anytime is not None:
        small = look.p_anytime < SMALLEST_P
        facts.append(("p, anytime valid", "below 0.0001" if small else f"{look.p_anytime:.2g}"))
    return facts
