"""What was measured between two conditions, in sentences: beside retakes, never "audible"."""

from __future__ import annotations

from collections.abc import Sequence

from panel.prose import EN_DASH, NBSP, decibels, decimal, hertz, listed, plural
from panel.report.figures.measured import bands_of, measured_sentence
from panel.study.measurement import Circuit, Corner, Measurement, NoCircuit, Notes, Span


def measured_lines(found: Measurement, *, matched: bool = True) -> tuple[str, ...]:
    """What was measured of one question, as sentences.

    What a measurement lacks is passed over, as reports outlive the version that measured.
    """
    first, last = f"“{found.first}”", f"“{found.last}”"
    lines = [_bands(found), _level(found, first, last, matched)]
    if found.same_performance is False:
        lines.append(
            "The takes do not follow each other: they are not one performance. So nothing can be "
            "subtracted, and there is no residual, transfer function or low corner."
        )
    elif found.residual_db is not None:
        lines.append(_residual(found.residual_db, found.residual_retakes_db))
    if found.same_performance:
        lines.append(_corner(found.corner, first, last))
    lines += _circuit(found.circuit)
    if found.notes is not None and found.notes.stages:
        lines.append(_notes(found.notes, first, last))
    return tuple(line for line in (*lines, *found.warnings) if line)


def _bands(found: Measurement) -> str:
    if found.sentence or not found.bands:
        return found.sentence
    return measured_sentence(bands_of(found))


def _level(found: Measurement, first: str, last: str, matched: bool) -> str:
    gain, retakes = found.gain_db, found.gain_retakes_db
    if gain is None:
        return ""
    beside = "" if retakes is None else f" (retakes differ by up to {decimal(retakes, 2)}{NBSP}dB)"
    how = "was matched before listening" if matched else "was left as it is"
    apart = f"{decimal(abs(gain), 2)}{NBSP}dB {'louder' if gain > 0 else 'softer'} than"
    if abs(gain) < 0.005:
        apart = "as loud as"
    return f"{last} was recorded {apart} {first}{beside}; that {how}."


def _residual(across: Span, within: Span | None) -> str:
    line = f"After the best gain and delay, {_under(across[1])} is left across the conditions"
    if within is None:
        return line + "; there are no retakes to hold against it."
    return f"{line}, {_under(within[1])} between retakes (medians): {_beside(across, within)}."


def _beside(across: Span, within: Span) -> str:
    if across[0] > within[2]:
        return "more than between any two retakes"
    if across[1] <= within[1]:
        return "no more than between retakes"
    if across[1] <= within[2]:
        return "more than between most retakes, yet no more than between some"
    return "more than between most retakes"


def _under(db: float) -> str:
    """A residual beside the signal; what is below -120 dB is called nothing."""
    if db <= -120:
        return "nothing above arithmetic"
    way = "under" if db <= 0 else "over"
    return f"{decimal(abs(db), 1)}{NBSP}dB {way} the signal"


def _corner(corner: Corner | None, first: str, last: str) -> str:
    if corner is None:
        return (
            "Whether a low corner moved cannot be told from these takes: too little sounds at the "
            "bottom, or what differs there has not the shape of a first-order low cut."
        )
    low, moved, high = corner.low_hz, corner.shift_hz, corner.high_hz
    span = f"{_hz(low)} to {_hz(high)}"
    basis = (
        "from what retakes vary by"
        if corner.rests_on == "retakes"
        else "for the noise in these two takes alone; other takes may differ by more"
    )
    if low <= 0 <= high:
        return f"No shift of a low corner stands out: 95{NBSP}% interval {span}, {basis}."
    if corner.from_hz is None:
        whose = last if moved > 0 else first
        size = f"{_hz(min(abs(low), abs(high)))} to {_hz(max(abs(low), abs(high)))}"
        return (
            f"At the bottom they differ as if {whose} had one more low cut, first order, at "
            f"{_hz(abs(moved))} (95{NBSP}% interval {size}, {basis})."
        )
    way = "above" if moved > 0 else "below"
    return (
        f"The low corner of {last} lies {_hz(abs(moved))} {way} the {_hz(corner.from_hz)} "
        f"logged for {first} (95{NBSP}% interval {span}, {basis})."
    )


def _circuit(circuit: Circuit | NoCircuit | None) -> list[str]:
    if circuit is None:
        return []
    if isinstance(circuit, NoCircuit):
        return [circuit.problem]
    low, high = circuit.corners_hz
    changes = [decibels(value, 2) for value in circuit.change_db]
    whence = "the usual tolerance, as none is logged" if circuit.assumed else "as logged"
    line = (
        f"By the log {_ohms(circuit.ohms)} and {_farads(circuit.farads)} make a low corner "
        f"of {_hz(circuit.corner_hz)}. Parts off by {decimal(100 * circuit.share, 0)}{NBSP}% "
        f"({whence}) alone move it to between {_hz(low)} and {_hz(high)}, and the level at "
        f"{hertz(round(circuit.at_hz))} by {changes[0]} to {changes[1]}."
    )
    lines = [line]
    if circuit.to_hz is not None and abs(circuit.to_hz / circuit.corner_hz - 1) > 1e-6:
        lines.append(f"The parts logged for the other condition make {_hz(circuit.to_hz)}.")
    if circuit.verdict:
        lines.append(f"Tolerance alone {circuit.verdict} do what was measured at the bottom.")
    return lines


def _notes(notes: Notes, first: str, last: str) -> str:
    parts = [
        f"{decibels(stage.difference_db, 2)} {_stretch(stage.from_s, stage.to_s)}"
        for stage in notes.stages
    ]
    line = (
        f"Over {plural(notes.onsets, 'note')}, {last} against {first} stands at "
        f"{listed(parts)} after the onset"
    )
    spans = [stage.retakes_db for stage in notes.stages if stage.retakes_db is not None]
    if spans:
        line += f" (retakes differ by up to {decimal(max(spans), 2)}{NBSP}dB)"
    line += f"; onsets move by {decimal(notes.onset_ms, 2)}{NBSP}ms"
    if notes.onset_retakes_ms is not None:
        line += f", between retakes by up to {decimal(notes.onset_retakes_ms, 2)}{NBSP}ms"
    return line + "."


def _stretch(from_s: float, to_s: float) -> str:
    if from_s == 0:
        return f"in the first {1000 * to_s:.0f}{NBSP}ms"
    return f"at {1000 * from_s:.0f}{EN_DASH}{1000 * to_s:.0f}{NBSP}ms"


def _hz(value: float) -> str:
    return f"{decimal(value, 0 if abs(value) >= 99.95 else 1)}{NBSP}Hz"


def _ohms(value: float) -> str:
    return _with_prefix(value, "Ω", ((1e6, "M"), (1e3, "k"), (1.0, "")))


def _farads(value: float) -> str:
    return _with_prefix(value, "F", ((1.0, ""), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p")))


def _with_prefix(value: float, unit: str, sizes: Sequence[tuple[float, str]]) -> str:
    size, prefix = next((s for s in sizes if value >= s[0] * (1 - 1e-9)), sizes[-1])
    return f"{value / size:.4g}{NBSP}{prefix}{unit}"
