"""The leaders of a study's takes: made for the organiser, found in the takes, used in aligning.

`told` is what they tell of the equipment, take by take.
"""

import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlmodel import Session, col, select

from panel.audio.align.take import Hint
from panel.audio.leader import file, find, signal
from panel.audio.leader.file import LeaderFile
from panel.audio.leader.find import LeaderIn
from panel.audio.leader.measured import Channel, KeptChannel
from panel.errors import BadInput, NotFound, TooLarge
from panel.stages.rows import factors_in, takes_in
from panel.stages.studies import unlocked
from panel.stages.takes.intake import Limits, probed
from panel.store.session import Store, write_first
from panel.store.tables import FoundLeader, Study, Take
from panel.study.documents import Entry
from panel.study.overview import HINT
from panel.study.shapes import read

ALIGNMENTS = ("leader", "music")
RATES = signal.RATES
USUAL_RATE = file.USUAL_RATE
HEARING = signal.HEARING
LONGEST_MUSIC_S = 15 * 60.0
LENGTHS = {
    key: (round(layout.sweep.seconds), round(layout.music_at_s))
    for key, layout in signal.LAYOUTS.items()
}
"""By key: seconds of the sweep, and of the whole leader."""


@dataclass(frozen=True)
class Told:
    """What a take's leader tells. delay_s: how much later in its file the leader lies than in the
    first take's; drift_ppm against the first take's clock (None: it has no leader, or another
    rate), clock_ppm against the player's. `numbers`: by numeric factor, what is logged."""

    key: str
    label: str
    recorded_order: int
    numbers: dict[str, float]
    at_s: float
    delay_s: float | None
    drift_ppm: float | None
    clock_ppm: float
    inverted: bool
    layout: str
    channels: tuple[Channel, ...]


@dataclass(frozen=True)
class LeadersView:
    """`told` in recording order; `without`: labels of the takes that have no leader;
    `problem`: why the takes cannot be aligned by it, or None; `factors`: (key, name, unit)
    of the numeric ones."""

    told: tuple[Told, ...]
    without: tuple[str, ...]
    problem: BadInput | None
    alignment: str
    factors: tuple[tuple[str, str, str], ...]


def make(
    rate: int | None,
    length: str,
    music: Iterable[bytes] | None = None,
    name: str = "",
    limits: Limits | None = None,
) -> LeaderFile:
    """A leader to be played into the equipment, with the organiser's own recording after it.

    Nothing of the recording is kept. Raises BadInput as `leader_file.made` does, TooLarge past
    the limits and past a quarter of an hour.
    """
    if music is None:
        return file.made(rate, None, length)
    limits = limits or Limits()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "music"
        _spool(path, music, name, limits)
        probed(path, f"“{name}”", Limits(limits.bytes, min(limits.seconds, LONGEST_MUSIC_S)))
        return file.made(rate, path, length, f"“{name}”")


def found_in(session: Session, study_id: int) -> dict[str, LeaderIn]:
    """By take key the leader of each take that has one."""
    return {take.key: _leader(take, row) for take, row in _rows(session, study_id)}


def hints(session: Session, study_id: int, takes: Sequence[Take]) -> list[Hint | None] | None:
    """Where each take's music lies against the first's, as the leaders tell; None where there are
    none, or the study is aligned by the music alone.

    Raises BadInput naming the takes in which the leader is missing, or whose sample rate differs.
    """
    study = session.get(Study, study_id)
    if study is None or study.alignment == "music" or not takes:
        return None
    found = found_in(session, study_id)
    leaders = [found.get(take.key) for take in takes]
    find.check_session([f"take {t.label}" for t in takes], [t.rate for t in takes], leaders)
    first = leaders[0]
    if first is None:
        return None
    return [find.hint(first, one) if one is not None else None for one in leaders]


def view(store: Store, study_id: int) -> LeadersView:
    """What the desk shows of the leaders. Raises NotFound for another study."""
    with store.session() as s:
        study = s.get(Study, study_id)
        if study is None:
            raise NotFound("There is no such study.")
        takes = takes_in(s, study_id)
        rows = {take.key: row for take, row in _rows(s, study_id)}
        numeric = [factor for factor in factors_in(s, study_id) if factor.kind == "numeric"]
        problem = None
        try:
            hints(s, study_id, takes)
        except BadInput as error:
            problem = error
    first = next((take for take in takes if take.key in rows), None)
    base = None if first is None else _leader(first, rows[first.key])
    told = []
    for take in takes:
        if take.key not in rows:
            continue
        found = _leader(take, rows[take.key])
        one_rate = base is not None and base.rate == found.rate
        told.append(
            Told(
                key=take.key,
                label=take.label,
                recorded_order=take.recorded_order,
                numbers={
                    factor.id: float(take.log[factor.id])
                    for factor in numeric
                    if isinstance(take.log.get(factor.id), int | float)
                },
                at_s=found.start / found.rate,
                delay_s=(found.start - base.start) / found.rate if base and one_rate else None,
                drift_ppm=find.hint(base, found).drift_ppm if base and one_rate else None,
                clock_ppm=found.drift_ppm,
                inverted=base is not None and base.inverted != found.inverted,
                layout=found.layout.key,
                channels=_channels(rows[take.key]),
            )
        )
    return LeadersView(
        tuple(told),
        tuple(take.label for take in takes if take.key not in rows) if told else (),
        problem,
        study.alignment,
        tuple((factor.id, factor.name, factor.unit) for factor in numeric),
    )


def set_alignment(store: Store, study_id: int, by: str) -> None:
    """Align by the leader, refined on the music ("leader"), or by the music alone ("music")."""
    if by not in ALIGNMENTS:
        raise BadInput("Takes are aligned by the leader, or by the music alone.")
    with store.session() as s:
        write_first(s)
        study = unlocked(s, study_id)
        study.alignment = by
        s.add(study)
        s.commit()


def _rows(session: Session, study_id: int) -> list[tuple[Take, FoundLeader]]:
    return list(
        session.exec(
            select(Take, FoundLeader)
            .where(FoundLeader.take_id == Take.id, Take.study_id == study_id)
            .order_by(col(Take.recorded_order), col(Take.key))
        )
    )


def _leader(take: Take, row: FoundLeader) -> LeaderIn:
    return LeaderIn(
        row.start,
        row.drift_ppm,
        row.inverted,
        row.likeness,
        take.rate,
        signal.LAYOUTS[row.layout],
    )


def _channels(row: FoundLeader) -> tuple[Channel, ...]:
    kept = (Entry(channel, "measurement of the leader", HINT) for channel in row.channels)
    return tuple(Channel.of(read(KeptChannel, entry)) for entry in kept)


def _spool(path: Path, chunks: Iterable[bytes], name: str, limits: Limits) -> None:
    """Write an upload to a file of its own. Raises TooLarge past the limit."""
    size = 0
    with path.open("xb") as out:
        for chunk in chunks:
            size += len(chunk)
            if size > limits.bytes:
                raise TooLarge(
                    f"“{name}” is larger than {limits.bytes / 2**20:,.0f} MiB.",
                    hint="Append a shorter recording.",
                )
            out.write(chunk)
