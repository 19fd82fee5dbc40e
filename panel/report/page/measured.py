"""What was measured between two conditions, in sentences: beside retakes, never "audible"."""

from __future__ import annotations

from collections.abc import Sequence

from panel.prose import EN_DASH, NBSP, Language, decibels, decimal, hertz, listed
from panel.report.figures.measured import bands_of, measured_sentence
from panel.study.measurement import Circuit, Corner, Measurement, NoCircuit, Notes, Span


def measured_lines(say: Language, found: Measurement, *, matched: bool = True) -> tuple[str, ...]:
    """What was measured of one question, as sentences.

    What a measurement lacks is passed over, as reports outlive the version that measured.
    """
    lines = [_bands(say, found), _level(say, found, matched)]
    if found.same_performance is False:
        lines.append(
            say(
                "The takes do not follow each other: they are not one performance. So nothing can "
                "be subtracted, and there is no residual, transfer function or low corner."
            )
        )
    elif found.residual_db is not None:
        lines.append(_residual(say, found.residual_db, found.residual_retakes_db))
    if found.same_performance:
        lines.append(_corner(say, found.corner, found.first, found.last))
    lines += _circuit(say, found.circuit)
    if found.notes is not None and found.notes.stages:
        lines.append(_notes(say, found.notes, found.first, found.last))
    return tuple(line for line in (*lines, *found.warnings) if line)


def _bands(say: Language, found: Measurement) -> str:
    if found.sentence or not found.bands:
        return found.sentence
    return measured_sentence(say, bands_of(found))


LEVEL = {
    # (louder, softer or as loud; with retakes)
    ("louder", False): "“{last}” was recorded {gain} louder than “{first}”; {how}.",
    ("louder", True): (
        "“{last}” was recorded {gain} louder than “{first}” (retakes differ by up to "
        "{retakes}); {how}."
    ),
    ("softer", False): "“{last}” was recorded {gain} softer than “{first}”; {how}.",
    ("softer", True): (
        "“{last}” was recorded {gain} softer than “{first}” (retakes differ by up to "
        "{retakes}); {how}."
    ),
    ("as_loud", False): "“{last}” was recorded as loud as “{first}”; {how}.",
    ("as_loud", True): (
        "“{last}” was recorded as loud as “{first}” (retakes differ by up to {retakes}); {how}."
    ),
}


def _level(say: Language, found: Measurement, matched: bool) -> str:
    gain, retakes = found.gain_db, found.gain_retakes_db
    if gain is None:
        return ""
    way = "as_loud" if abs(gain) < 0.005 else "louder" if gain > 0 else "softer"
    how = "that was matched before listening" if matched else "that was left as it is"
    return say(
        LEVEL[way, retakes is not None],
        last=found.last,
        first=found.first,
        gain=_db(say, abs(gain)),
        retakes=_db(say, retakes),
        how=say(how),
    )


def _residual(say: Language, across: Span, within: Span | None) -> str:
    left = _under(say, across[1])
    if within is None:
        return say(
            "After the best gain and delay, {left} is left across the conditions; there are no "
            "retakes to hold against it.",
            left=left,
        )
    return say(
        "After the best gain and delay, {left} is left across the conditions, {retakes} between "
        "retakes (medians): {beside}.",
        left=left,
        retakes=_under(say, within[1]),
        beside=_beside(say, across, within),
    )


def _beside(say: Language, across: Span, within: Span) -> str:
    if across[0] > within[2]:
        return say("more than between any two retakes")
    if across[1] <= within[1]:
        return say("no more than between retakes")
    if across[1] <= within[2]:
        return say("more than between most retakes, yet no more than between some")
    return say("more than between most retakes")


def _under(say: Language, db: float) -> str:
    """A residual beside the signal; what is below -120 dB is called nothing."""
    if db <= -120:
        return say("nothing above arithmetic")
    text = "{size} under the signal" if db <= 0 else "{size} over the signal"
    return say(text, size=_db(say, abs(db), 1))


def _corner(say: Language, corner: Corner | None, first: str, last: str) -> str:
    if corner is None:
        return say(
            "Whether a low corner moved cannot be told from these takes: too little sounds at the "
            "bottom, or what differs there has not the shape of a first-order low cut."
        )
    low, moved, high = corner.low_hz, corner.shift_hz, corner.high_hz
    basis = (
        "from what retakes vary by"
        if corner.rests_on == "retakes"
        else "for the noise in these two takes alone; other takes may differ by more"
    )
    ends = (low, high)
    if low <= 0 <= high:
        text = "No shift of a low corner stands out: {sure} interval {low} to {high}, {basis}."
    elif corner.from_hz is None:
        ends = min(abs(low), abs(high)), max(abs(low), abs(high))
        text = (
            "At the bottom they differ as if “{whose}” had one more low cut, first order, at "
            "{moved} ({sure} interval {low} to {high}, {basis})."
        )
    else:
        text = CORNER["above" if moved > 0 else "below"]
    return say(
        text,
        first=first,
        last=last,
        whose=last if moved > 0 else first,
        moved=_hz(abs(moved)),
        before="" if corner.from_hz is None else _hz(corner.from_hz),
        sure=f"95{NBSP}%",
        low=_hz(ends[0]),
        high=_hz(ends[1]),
        basis=say(basis),
    )


CORNER = {
    "above": (
        "The low corner of “{last}” lies {moved} above the {before} logged for “{first}” "
        "({sure} interval {low} to {high}, {basis})."
    ),
    "below": (
        "The low corner of “{last}” lies {moved} below the {before} logged for “{first}” "
        "({sure} interval {low} to {high}, {basis})."
    ),
}
TOLERANCE = {
    "could": "Tolerance alone could do what was measured at the bottom.",
    "could not": "Tolerance alone could not do what was measured at the bottom.",
}


def _circuit(say: Language, circuit: Circuit | NoCircuit | None) -> list[str]:
    if circuit is None:
        return []
    if isinstance(circuit, NoCircuit):
        return [circuit.problem]
    lines = [_tolerance(say, circuit)]
    if circuit.to_hz is not None and abs(circuit.to_hz / circuit.corner_hz - 1) > 1e-6:
        to = _hz(circuit.to_hz)
        lines.append(say("The parts logged for the other condition make {to}.", to=to))
    if circuit.verdict:
        lines.append(say(TOLERANCE[circuit.verdict]))
    return lines


def _tolerance(say: Language, circuit: Circuit) -> str:
    """The corner that the logged parts make, and how far parts off by their tolerance move it."""
    low, high = circuit.corners_hz
    least, most = (decibels(value, 2, say) for value in circuit.change_db)
    whence = "the usual tolerance, as none is logged" if circuit.assumed else "as logged"
    return say(
        "By the log {ohms} and {farads} make a low corner of {corner}. Parts off by {share} "
        "({whence}) alone move it to between {low} and {high}, and the level at {at} by {least} to "
        "{most}.",
        ohms=_ohms(circuit.ohms),
        farads=_farads(circuit.farads),
        corner=_hz(circuit.corner_hz),
        share=f"{decimal(100 * circuit.share, 0, say=say)}{NBSP}%",
        whence=say(whence),
        low=_hz(low),
        high=_hz(high),
        at=hertz(round(circuit.at_hz)),
        least=least,
        most=most,
    )


def _notes(say: Language, notes: Notes, first: str, last: str) -> str:
    parts = [
        f"{decibels(stage.difference_db, 2, say)} {_stretch(say, stage.from_s, stage.to_s)}"
        for stage in notes.stages
    ]
    level = say.count(
        notes.onsets,
        "Over {n} note, “{last}” against “{first}” stands at {parts} after the onset",
        "Over {n} notes, “{last}” against “{first}” stands at {parts} after the onset",
        last=last,
        first=first,
        parts=listed(parts, say),
    )
    spans = [stage.retakes_db for stage in notes.stages if stage.retakes_db is not None]
    if spans:
        level += " " + say("(retakes differ by up to {size})", size=_db(say, max(spans)))
    moved, retakes = notes.onset_ms, notes.onset_retakes_ms
    text = (
        "{level}; onsets move by {moved}."
        if retakes is None
        else "{level}; onsets move by {moved}, between retakes by up to {retakes}."
    )
    return say(text, level=level, moved=_ms(say, moved), retakes=_ms(say, retakes))


def _stretch(say: Language, from_s: float, to_s: float) -> str:
    if from_s == 0:
        return say("in the first {ms}", ms=f"{1000 * to_s:.0f}{NBSP}ms")
    return say("at {ms}", ms=f"{1000 * from_s:.0f}{EN_DASH}{1000 * to_s:.0f}{NBSP}ms")


def _db(say: Language, value: float | None, digits: int = 2) -> str:
    return f"{decimal(value, digits, say=say)}{NBSP}dB"


def _ms(say: Language, value: float | None) -> str:
    return f"{decimal(value, 2, say=say)}{NBSP}ms"


def _hz(value: float) -> str:
    return f"{decimal(value, 0 if abs(value) >= 99.95 else 1)}{NBSP}Hz"


def _ohms(value: float) -> str:
    return _with_prefix(value, "Ω", ((1e6, "M"), (1e3, "k"), (1.0, "")))


def _farads(value: float) -> str:
    return _with_prefix(value, "F", ((1.0, ""), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p")))


def _with_prefix(value: float, unit: str, sizes: Sequence[tuple[float, str]]) -> str:
    size, prefix = next((s for s in sizes if value >= s[0] * (1 - 1e-9)), sizes[-1])
    return f"{value / size:.4g}{NBSP}{prefix}{unit}"
