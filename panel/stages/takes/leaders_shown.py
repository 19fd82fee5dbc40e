"""Pictures of what the leaders of a study tell, over its takes and over every numeric factor."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from panel.prose import hertz
from panel.report.figures.drawing import Figure
from panel.report.figures.leader import Axis, Curve, Series, over, response
from panel.stages.takes import leaders
from panel.stages.takes.leaders import LeadersView, Told
from panel.store.session import Store

# Between the lines of either mains series, for hum adds to what is measured at its own frequencies.
BANDS_HZ = (40.0, 160.0, 1000.0, 5000.0, 15000.0)
ORDERS = {2: "2nd harmonic", 3: "3rd harmonic", 4: "4th harmonic", 5: "5th harmonic"}
AT_HZ = 1000.0

_SAID = "A mark for each take; lines join the means of takes at one place."


@dataclass(frozen=True)
class Line:
    """One take in the table of the page; numbers are of its channel that is shown."""

    told: Told
    level_db: float | None
    noise_dbfs: float | None
    hum: str
    harmonics_db: tuple[float | None, ...]


@dataclass(frozen=True)
class Section:
    """Pictures over one axis."""

    heading: str
    figures: tuple[Figure, ...]


@dataclass(frozen=True)
class Shown:
    """`channel`: that which is shown, from 1, of `channels`; lines by recording order."""

    view: LeadersView
    channel: int
    channels: int
    lines: tuple[Line, ...]
    response: Figure | None
    sections: tuple[Section, ...]


def shown(store: Store, study_id: int, channel: int | None = None) -> Shown:
    """What the desk shows. `channel` from 1; without it, the one in which the sweep is strongest
    in the first take."""
    view = leaders.view(store, study_id)
    channels = max((len(told.channels) for told in view.told), default=0)
    if channel is None or not 1 <= channel <= channels:
        channel = _strongest(view.told)
    told = [one for one in view.told if len(one.channels) >= channel]
    lines = tuple(_line(one, channel) for one in told)
    curves = [
        Curve(one.label, list(c.hz), list(c.magnitude_db))
        for one in told
        if len((c := one.channels[channel - 1]).hz)
    ]
    sections = []
    if len(told) > 1:
        order = Axis("order of recording", tuple(float(one.recorded_order) for one in told))
        sections.append(Section("Over the takes", _over(told, channel, order, "order")))
        for key, name, unit in view.factors:
            logged = [one for one in told if key in one.numbers]
            if len({one.numbers[key] for one in logged}) > 1:
                axis = Axis(
                    f"{name} ({unit})" if unit else name, tuple(one.numbers[key] for one in logged)
                )
                sections.append(Section(f"Over {name}", _over(logged, channel, axis, key)))
    return Shown(
        view,
        channel,
        channels,
        lines,
        response("leader-response", curves),
        tuple(section for section in sections if section.figures),
    )


def for_report(store: Store, study_id: int) -> tuple[Figure, ...]:
    """All pictures of the strongest channel; none where no take has a leader."""
    found = shown(store, study_id)
    first = () if found.response is None else (found.response,)
    return (*first, *(figure for section in found.sections for figure in section.figures))


def _over(told: Sequence[Told], channel: int, axis: Axis, key: str) -> tuple[Figure, ...]:
    heard = [one.channels[channel - 1] for one in told]
    labels = [one.label for one in told]
    first = heard[0]
    bands = []
    for hz in BANDS_HZ:
        base = first.at(hz)
        bands.append(
            Series(
                hertz(hz),
                tuple(None if base is None or (v := c.at(hz)) is None else v - base for c in heard),
            )
        )
    harmonics = [
        Series(name, tuple(c.distortion_at(order, AT_HZ) for c in heard))
        for order, name in ORDERS.items()
    ]
    quiet = [
        Series("noise", tuple(_finite(c.noise_dbfs) for c in heard)),
        Series("hum", tuple(_finite(c.hum_dbfs) for c in heard)),
    ]
    made = (
        over(
            f"leader-bands-{key}",
            f"Response over {axis.words}",
            axis,
            labels,
            bands,
            f"Level at each frequency over that of take {labels[0]}. {_SAID}",
        ),
        over(
            f"leader-harmonics-{key}",
            f"Distortion over {axis.words}",
            axis,
            labels,
            harmonics,
            f"Each harmonic of a tone at {hertz(AT_HZ)}, over the tone, at the level that the "
            "leader was played at. Where a harmonic lies in the noise its marks wander: they "
            f"say no more than that it is no higher. {_SAID}",
            1,
        ),
        over(
            f"leader-quiet-{key}",
            f"Noise and hum over {axis.words}",
            axis,
            labels,
            quiet,
            "Level in the leader's silence, in dB of full scale (dBFS, RMS); no mark where there "
            f"is none. {_SAID}",
            1,
            "dBFS",
        ),
        over(
            f"leader-clock-{key}",
            f"Clock over {axis.words}",
            axis,
            labels,
            [Series("recorder against the first take", tuple(one.drift_ppm for one in told))],
            "How much faster each take runs than the first, in parts per million; it is taken out "
            f"in aligning. {_SAID}",
            2,
            "ppm",
        ),
    )
    return tuple(figure for figure in made if figure is not None)


def _line(told: Told, channel: int) -> Line:
    heard = told.channels[channel - 1]
    hum = "none"
    if heard.mains_hz is not None:
        mains = 50 if abs(heard.mains_hz - 50) < abs(heard.mains_hz - 60) else 60
        level = f"{heard.hum_dbfs:.1f}".replace("-", "−")
        hum = f"{level} ({mains} Hz)"
    return Line(
        told,
        heard.at(AT_HZ),
        _finite(heard.noise_dbfs),
        hum,
        tuple(heard.distortion_at(order, AT_HZ) for order in ORDERS),
    )


def _strongest(told: Sequence[Told]) -> int:
    if not told:
        return 1
    levels = [(c.at(AT_HZ), -i) for i, c in enumerate(told[0].channels)]
    heard = [(level, i) for level, i in levels if level is not None]
    return 1 - max(heard)[1] if heard else 1


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
