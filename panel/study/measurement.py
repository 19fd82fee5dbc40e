"""What measurably differs between the conditions of each question, as kept with the verdict.

Of a question the last condition is held against the first, beside what retakes of one condition
differ by; whether anyone hears it is for the votes. Levels in dB of the last over the first. An
older measurement may lack some of it: then that part is None or empty.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

from panel.study.documents import Entry, Json

HINT = "Restore the study from a backup in which it can be read."

Span = tuple[float, float, float]
"""Lowest, median and highest over pairs of takes."""


@dataclass(frozen=True)
class Band:
    """One third octave, by its nominal mid frequency, after overall level and delay are removed.

    retake_low_db, retake_high_db: lowest and highest difference between two retakes, and
    outside_db by how much the difference leaves that span (0 inside, signed); None without
    retakes.
    """

    hz: float
    difference_db: float
    retake_low_db: float | None = None
    retake_high_db: float | None = None
    outside_db: float | None = None

    @property
    def outside(self) -> bool | None:
        """Whether the difference leaves the retakes' span; None where there are no retakes."""
        if self.retake_low_db is None or self.retake_high_db is None:
            return None
        return not self.retake_low_db <= self.difference_db <= self.retake_high_db

    def document(self) -> dict[str, Json]:
        return asdict(self)


@dataclass(frozen=True)
class ResponsePoint:
    """The transfer function in one narrow band.

    retakes_db: the most that two takes of one condition differ by, None without retakes;
    coherence: 0 to 1, the lowest of any take.
    """

    hz: float
    gain_db: float
    retakes_db: float | None
    coherence: float

    def document(self) -> list[Json]:
        return [self.hz, self.gain_db, self.retakes_db, self.coherence]


@dataclass(frozen=True)
class Corner:
    """How far the low corner of the last condition lies above that of the first, in Hz.

    low_hz, high_hz: interval at `confidence`. from_hz: the first's as logged; None where it is not
    known: then shift_hz is the corner of a low cut that only the last has (negative: only the
    first). rests_on: "retakes" or "noise".
    """

    shift_hz: float
    low_hz: float
    high_hz: float
    from_hz: float | None
    confidence: float
    rests_on: str

    def document(self) -> dict[str, Json]:
        return asdict(self)


@dataclass(frozen=True)
class Circuit:
    """What the logged R and C of the first condition make, and what tolerance alone predicts.

    share: the tolerance, 0.1 for 10 %; assumed: none was logged, and it is the usual one.
    corners_hz: lowest and highest corner. at_hz: where the level is given; level_db: of the
    nominal corner there; change_db: lowest and highest against that. to_hz: the last condition's
    corner, None where its parts are not logged. verdict: whether tolerance "could" or "could not"
    do what was measured, None where no corner was.
    """

    ohms: float
    farads: float
    assumed: bool
    to_hz: float | None
    corner_hz: float
    share: float
    corners_hz: tuple[float, float]
    at_hz: float
    level_db: float
    change_db: tuple[float, float]
    verdict: str | None

    def document(self) -> dict[str, Json]:
        return {
            "problem": "",
            "ohms": self.ohms,
            "farads": self.farads,
            "assumed": self.assumed,
            "to_hz": self.to_hz,
            "corner_hz": self.corner_hz,
            "share": self.share,
            "corners_hz": list(self.corners_hz),
            "at_hz": self.at_hz,
            "level_db": self.level_db,
            "change_db": list(self.change_db),
            "verdict": self.verdict,
        }


@dataclass(frozen=True)
class NoCircuit:
    """Why nothing follows from what is logged of resistances and capacitances."""

    problem: str

    def document(self) -> dict[str, Json]:
        return {"problem": self.problem}


@dataclass(frozen=True)
class Stage:
    """A stretch after the onsets of notes, in s, and the most two retakes differ by in it."""

    from_s: float
    to_s: float
    difference_db: float
    retakes_db: float | None

    def document(self) -> dict[str, Json]:
        return asdict(self)


@dataclass(frozen=True)
class Notes:
    """How notes begin and die away. onsets: how many; onset_ms: by how much they move (RMS), and
    onset_retakes_ms the most between two retakes, None without any."""

    onsets: int
    stages: tuple[Stage, ...]
    onset_ms: float
    onset_retakes_ms: float | None

    def document(self) -> dict[str, Json]:
        return {
            "onsets": self.onsets,
            "stages": [stage.document() for stage in self.stages],
            "onset_ms": self.onset_ms,
            "onset_retakes_ms": self.onset_retakes_ms,
        }


@dataclass(frozen=True)
class Measurement:
    """One question: its last condition against its first, by their labels; `id`: of the contrast.

    rate: of the clips, in Hz. sentence: where the bands leave what retakes span. gain_db: how much
    louder the last was recorded on average, and gain_retakes_db the most two takes of one
    condition differ by. residual_db: what is left between two takes of unlike conditions, under
    the signal, and residual_retakes_db between retakes; None where the takes are not the same
    performance. warnings: sentences to be told beside.
    """

    id: str
    name: str
    first: str
    last: str
    rate: int = 0
    bands: tuple[Band, ...] = ()
    retake_pairs: int = 0
    sentence: str = ""
    same_performance: bool | None = None
    residual_db: Span | None = None
    residual_retakes_db: Span | None = None
    response: tuple[ResponsePoint, ...] = ()
    corner: Corner | None = None
    circuit: Circuit | NoCircuit | None = None
    notes: Notes | None = None
    gain_db: float | None = None
    gain_retakes_db: float | None = None
    warnings: tuple[str, ...] = ()

    def document(self) -> dict[str, Json]:
        return {
            "id": self.id,
            "name": self.name,
            "from": self.first,
            "to": self.last,
            "rate": self.rate,
            "bands": [band.document() for band in self.bands],
            "retake_pairs": self.retake_pairs,
            "sentence": self.sentence,
            "same_performance": self.same_performance,
            "residual_db": _span_document(self.residual_db),
            "residual_retakes_db": _span_document(self.residual_retakes_db),
            "response": [point.document() for point in self.response],
            "corner": _document(self.corner),
            "circuit": _document(self.circuit),
            "notes": _document(self.notes),
            "gain_db": self.gain_db,
            "gain_retakes_db": self.gain_retakes_db,
            **({"warnings": list(self.warnings)} if self.warnings else {}),
        }


@dataclass(frozen=True)
class Measurements:
    """Those of a study, a question each; `unavailable` says why there are none."""

    contrasts: tuple[Measurement, ...] = ()
    unavailable: str = ""

    def document(self) -> dict[str, Json]:
        if self.unavailable:
            return {"unavailable": self.unavailable}
        return {"contrasts": [measurement.document() for measurement in self.contrasts]}

    @property
    def by_question(self) -> dict[str, Measurement]:
        return {measurement.id: measurement for measurement in self.contrasts}


def read_measurements(document: Json) -> Measurements:
    """The measurements of a study from their JSON.

    Raises BadInput, with the path, for what has the wrong type, or lacks what every measurement
    has: a question, its conditions, and level and frequency of each band.
    """
    root = Entry(document, "measurement of the recordings", HINT)
    return Measurements(
        tuple(_measurement(entry) for entry in _list(root.get("contrasts"))),
        _text(root.get("unavailable")),
    )


def _measurement(entry: Entry) -> Measurement:
    return Measurement(
        id=entry["id"].text(),
        name=entry["name"].text(),
        first=entry["from"].text(),
        last=entry["to"].text(),
        rate=_count(entry.get("rate")),
        bands=tuple(_band(band) for band in _list(entry.get("bands"))),
        retake_pairs=_count(entry.get("retake_pairs")),
        sentence=_text(entry.get("sentence")),
        same_performance=_flag(entry.get("same_performance")),
        residual_db=_span(entry.get("residual_db")),
        residual_retakes_db=_span(entry.get("residual_retakes_db")),
        response=tuple(_point(point) for point in _list(entry.get("response"))),
        corner=_corner(entry.get("corner")),
        circuit=_circuit(entry.get("circuit")),
        notes=_notes(entry.get("notes")),
        gain_db=_number(entry.get("gain_db")),
        gain_retakes_db=_number(entry.get("gain_retakes_db")),
        warnings=tuple(warning.text() for warning in _list(entry.get("warnings"))),
    )


def _band(entry: Entry) -> Band:
    return Band(
        _hz(entry["hz"]),
        entry["difference_db"].number(),
        _number(entry.get("retake_low_db")),
        _number(entry.get("retake_high_db")),
        _number(entry.get("outside_db")),
    )


def _point(entry: Entry) -> ResponsePoint:
    hz, gain, retakes, coherence = _several(entry, 4)
    return ResponsePoint(_hz(hz), gain.number(), _number(retakes), coherence.number())


def _corner(entry: Entry) -> Corner | None:
    if entry.absent:
        return None
    return Corner(
        entry["shift_hz"].number(),
        entry["low_hz"].number(),
        entry["high_hz"].number(),
        _number(entry["from_hz"]),
        entry["confidence"].number(),
        entry["rests_on"].text(),
    )


def _circuit(entry: Entry) -> Circuit | NoCircuit | None:
    if entry.absent:
        return None
    problem = _text(entry.get("problem"))
    if problem:
        return NoCircuit(problem)
    low, high = _several(entry["corners_hz"], 2)
    softest, loudest = _several(entry["change_db"], 2)
    verdict = entry.get("verdict")
    return Circuit(
        ohms=entry["ohms"].number(),
        farads=entry["farads"].number(),
        assumed=entry["assumed"].flag(),
        to_hz=_number(entry.get("to_hz")),
        corner_hz=entry["corner_hz"].number(),
        share=entry["share"].number(),
        corners_hz=(low.number(), high.number()),
        at_hz=entry["at_hz"].number(),
        level_db=entry["level_db"].number(),
        change_db=(softest.number(), loudest.number()),
        verdict=None if verdict.absent else verdict.text(),
    )


def _notes(entry: Entry) -> Notes | None:
    if entry.absent:
        return None
    return Notes(
        entry["onsets"].count(),
        tuple(_stage(stage) for stage in entry["stages"]),
        entry["onset_ms"].number(),
        _number(entry["onset_retakes_ms"]),
    )


def _stage(entry: Entry) -> Stage:
    return Stage(
        entry["from_s"].number(),
        entry["to_s"].number(),
        entry["difference_db"].number(),
        _number(entry["retakes_db"]),
    )


def _span(entry: Entry) -> Span | None:
    if entry.absent:
        return None
    lowest, median, highest = _several(entry, 3)
    return lowest.number(), median.number(), highest.number()


def _several(entry: Entry, how_many: int) -> list[Entry]:
    found = list(entry)
    if len(found) != how_many:
        raise entry.refuse(f"{entry.path} must have {how_many} entries, not {len(found)}")
    return found


def _hz(entry: Entry) -> float:
    hz = entry.number()
    if hz <= 0:
        raise entry.refuse(f"{entry.path} must be above zero, not {hz:g}")
    return hz


def _list(entry: Entry) -> list[Entry]:
    return [] if entry.absent else list(entry)


def _text(entry: Entry) -> str:
    return "" if entry.absent else entry.text()


def _count(entry: Entry) -> int:
    return 0 if entry.absent else entry.count()


def _number(entry: Entry) -> float | None:
    return None if entry.absent else entry.number()


def _flag(entry: Entry) -> bool | None:
    return None if entry.absent else entry.flag()


def _span_document(span: Span | None) -> Json:
    return None if span is None else list(span)


def _document(part: Corner | Circuit | NoCircuit | Notes | None) -> Json:
    return None if part is None else part.document()
