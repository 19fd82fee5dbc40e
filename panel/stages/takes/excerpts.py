"""Excerpts: the time spans that are cut from every take and listened to."""

from dataclasses import dataclass

from sqlmodel import Session, select

from panel.errors import BadInput, Conflict, NotFound
from panel.stages.rows import excerpts_in, takes_in
from panel.stages.studies import unlocked
from panel.store.session import Store, write_first
from panel.store.tables import Clip, Excerpt

SHORTEST_S = 0.5
LONGEST_S = 60.0
MOST_EXCERPTS = 20


@dataclass(frozen=True)
class ExcerptView:
    key: str
    label: str
    start_s: float
    end_s: float

    @property
    def seconds(self) -> float:
        return self.end_s - self.start_s

    @property
    def name(self) -> str:
        return self.label or f"Excerpt {self.key[1:]}"


def add_excerpt(store: Store, study_id: int, start_s: float, end_s: float, label: str = "") -> str:
    """Mark a span; returns its key.

    Raises BadInput where it is empty, too short, too long, or past the end of a take.
    """
    start_s, end_s = _checked(start_s, end_s)
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        there = _others(s, study_id, start_s, end_s)
        if len(there) >= MOST_EXCERPTS:
            raise Conflict(f"A study has at most {MOST_EXCERPTS} excerpts.")
        key = f"e{max((int(e.key[1:]) for e in there), default=0) + 1}"
        s.add(
            Excerpt(
                study_id=study_id,
                key=key,
                label=_tidy(label),
                start_s=start_s,
                end_s=end_s,
            )
        )
        s.commit()
    return key


def change_excerpt(
    store: Store, study_id: int, key: str, start_s: float, end_s: float, label: str = ""
) -> None:
    """Move an excerpt, or give it another name. Clips are stale then, and are made anew.

    Raises NotFound where there is none of that key, and what `add_excerpt` raises.
    """
    start_s, end_s = _checked(start_s, end_s)
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        found = _excerpt_in(s, study_id, key)
        _others(s, study_id, start_s, end_s, but=key)
        found.start_s, found.end_s, found.label = start_s, end_s, _tidy(label)
        s.add(found)
        s.commit()


def remove_excerpt(store: Store, study_id: int, key: str) -> None:
    """Remove an excerpt with its clips."""
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        found = _excerpt_in(s, study_id, key)
        clips = s.exec(select(Clip).where(Clip.study_id == study_id, Clip.excerpt_key == key)).all()
        for clip in clips:
            s.delete(clip)
        s.delete(found)
        s.commit()
    for clip in clips:
        store.files.remove(clip.samples_key)


def excerpts(store: Store, study_id: int) -> tuple[ExcerptView, ...]:
    with store.session() as s:
        return tuple(
            ExcerptView(e.key, e.label, e.start_s, e.end_s) for e in excerpts_in(s, study_id)
        )


def _tidy(label: str) -> str:
    return " ".join(label.split())[:60]


def _excerpt_in(session: Session, study_id: int, key: str) -> Excerpt:
    found = session.exec(
        select(Excerpt).where(Excerpt.study_id == study_id, Excerpt.key == key)
    ).first()
    if found is None:
        raise NotFound("There is no such excerpt in this study.")
    return found


def _checked(start_s: float, end_s: float) -> tuple[float, float]:
    start_s, end_s = round(start_s, 4), round(end_s, 4)
    if not (0 <= start_s < end_s < 1e6):
        raise BadInput(
            "The excerpt must begin at or after 0 s, and end after it begins.",
            hint="Give both times in seconds from the start of the take.",
        )
    if not SHORTEST_S <= end_s - start_s <= LONGEST_S:
        raise BadInput(
            f"The excerpt lasts {end_s - start_s:.2f} s; from {SHORTEST_S:g} to {LONGEST_S:g} s "
            "can be used.",
            hint="Four to eight seconds are easy to keep in the ear.",
        )
    return start_s, end_s


def _others(
    session: Session, study_id: int, start_s: float, end_s: float, *, but: str = ""
) -> list[Excerpt]:
    """The excerpts there are, but for one; refuses a span past a take's end, or marked already."""
    found = takes_in(session, study_id)
    if not found:
        raise BadInput("There is no take to mark an excerpt on.", hint="Add the takes first.")
    short = min(found, key=lambda take: take.frames / take.rate)
    if end_s > short.frames / short.rate:
        raise BadInput(
            f"The excerpt ends at {end_s:.2f} s, but take {short.label} lasts only "
            f"{short.frames / short.rate:.2f} s.",
            hint="Choose an earlier end, or remove that take.",
        )
    there = [excerpt for excerpt in excerpts_in(session, study_id) if excerpt.key != but]
    if any((e.start_s, e.end_s) == (start_s, end_s) for e in there):
        raise Conflict("This excerpt is marked already.")
    return there
