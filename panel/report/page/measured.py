"""What was measured between two conditions, in sentences: beside retakes, never "audible"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from panel.prose import EN_DASH, NBSP, decibels, decimal, hertz, listed, plural
from panel.report.figures.measured import bands_of, measured_sentence


def measured_lines(entry: Mapping[str, Any], *, matched: bool = True) -> tuple[str, ...]:
    """One entry of a study's measurement (see stages/measured.py) as sentences.

    What an entry lacks is passed over, as reports outlive the version that measured.
    """
    labels = [f"“{label}”" for label in entry.get("conditions") or ()] or ["the first", "the last"]
    lines = [_bands(entry), _level(entry, labels, matched), _residual(entry)]
    lines += [_corner(entry, labels), *_circuit(entry), _notes(entry, labels)]
    lines += [str(warning) for warning in entry.get("warnings") or ()]
    return tuple(line for line in lines if line)


def _bands(entry: Mapping[str, Any]) -> str:
    if entry.get("sentence"):
        return str(entry["sentence"])
    bands = bands_of(entry)
    return measured_sentence(bands) if bands else ""


def _level(entry: Mapping[str, Any], labels: Sequence[str], matched: bool) -> str:
    gain, retakes = entry.get("gain_db"), entry.get("gain_retakes_db")
    if not isinstance(gain, int | float):
        return ""
    beside = (
        f" (retakes differ by up to {decimal(retakes, 2)}{NBSP}dB)"
        if isinstance(retakes, int | float)
        else ""
    )
    how = "was matched before listening" if matched else "was left as it is"
    apart = f"{decimal(abs(gain), 2)}{NBSP}dB {'louder' if gain > 0 else 'softer'} than"
    if abs(gain) < 0.005:
        apart = "as loud as"
    return f"{labels[-1]} was recorded {apart} {labels[0]}{beside}; that {how}."


def _residual(entry: Mapping[str, Any]) -> str:
    if entry.get("same_performance") is False:
        return (
            "The takes do not follow each other: they are not one performance. So nothing can be "
            "subtracted, and there is no residual, transfer function or low corner."
        )
    across, within = entry.get("residual_db"), entry.get("residual_retakes_db")
    if isinstance(across, int | float):
        across = [across] * 3
    if not across:
        return ""
    line = f"After the best gain and delay, {_under(across[1])} is left across the conditions"
    if not within:
        return line + "; there are no retakes to hold against it."
    more = (
        "more than between any two retakes"
        if across[0] > within[2]
        else "no more than between retakes"
        if across[1] <= within[1]
        else "more than between most retakes, yet no more than between some"
        if across[1] <= within[2]
        else "more than between most retakes"
    )
    return f"{line}, {_under(within[1])} between retakes (medians): {more}."


def _under(db: float) -> str:
    """A residual beside the signal; what is below -120 dB is called nothing."""
    if db <= -120:
        return "nothing above arithmetic"
    way = "under" if db <= 0 else "over"
    return f"{decimal(abs(db), 1)}{NBSP}dB {way} the signal"


def _corner(entry: Mapping[str, Any], labels: Sequence[str]) -> str:
    if entry.get("same_performance") is not True:
        return ""
    corner = entry.get("corner")
    if not corner:
        return (
            "Whether a low corner moved cannot be told from these takes: too little sounds at the "
            "bottom, or what differs there has not the shape of a first-order low cut."
        )
    low, moved, high = corner["low_hz"], corner["shift_hz"], corner["high_hz"]
    span = f"{_hz(low)} to {_hz(high)}"
    basis = (
        "from what retakes vary by"
        if corner["rests_on"] == "retakes"
        else "for the noise in these two takes alone; other takes may differ by more"
    )
    if low <= 0 <= high:
        return f"No shift of a low corner stands out: 95{NBSP}% interval {span}, {basis}."
    if corner["from_hz"] is None:
        whose = labels[-1] if moved > 0 else labels[0]
        size = f"{_hz(min(abs(low), abs(high)))} to {_hz(max(abs(low), abs(high)))}"
        return (
            f"At the bottom they differ as if {whose} had one more low cut, first order, at "
            f"{_hz(abs(moved))} (95{NBSP}% interval {size}, {basis})."
        )
    way = "above" if moved > 0 else "below"
    return (
        f"The low corner of {labels[-1]} lies {_hz(abs(moved))} {way} the {_hz(corner['from_hz'])} "
        f"logged for {labels[0]} (95{NBSP}% interval {span}, {basis})."
    )


def _circuit(entry: Mapping[str, Any]) -> list[str]:
    circuit = entry.get("circuit")
    if not circuit:
        return []
    if circuit.get("problem"):
        return [str(circuit["problem"])]
    low, high = circuit["corners_hz"]
    changes = [decibels(value, 2) for value in circuit["change_db"]]
    whence = "the usual tolerance, as none is logged" if circuit["assumed"] else "as logged"
    line = (
        f"By the log {_ohms(circuit['ohms'])} and {_farads(circuit['farads'])} make a low corner "
        f"of {_hz(circuit['corner_hz'])}. Parts off by {decimal(100 * circuit['share'], 0)}{NBSP}% "
        f"({whence}) alone move it to between {_hz(low)} and {_hz(high)}, and the level at "
        f"{hertz(round(circuit['at_hz']))} by {changes[0]} to {changes[1]}."
    )
    lines = [line]
    to_hz = circuit.get("to_hz")
    if to_hz is not None and abs(to_hz / circuit["corner_hz"] - 1) > 1e-6:
        lines.append(f"The parts logged for the other condition make {_hz(to_hz)}.")
    if circuit.get("verdict"):
        lines.append(f"Tolerance alone {circuit['verdict']} do what was measured at the bottom.")
    return lines


def _notes(entry: Mapping[str, Any], labels: Sequence[str]) -> str:
    notes = entry.get("notes")
    if not notes or not notes["stages"]:
        return ""
    parts = [
        f"{decibels(stage['difference_db'], 2)} {_stretch(stage['from_s'], stage['to_s'])}"
        for stage in notes["stages"]
    ]
    line = (
        f"Over {plural(notes['onsets'], 'note')}, {labels[-1]} against {labels[0]} stands at "
        f"{listed(parts)} after the onset"
    )
    spans = [s["retakes_db"] for s in notes["stages"] if s["retakes_db"] is not None]
    if spans:
        line += f" (retakes differ by up to {decimal(max(spans), 2)}{NBSP}dB)"
    line += f"; onsets move by {decimal(notes['onset_ms'], 2)}{NBSP}ms"
    if notes["onset_retakes_ms"] is not None:
        line += f", between retakes by up to {decimal(notes['onset_retakes_ms'], 2)}{NBSP}ms"
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
