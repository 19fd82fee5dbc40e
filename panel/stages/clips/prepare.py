"""Clips: every excerpt of every take, aligned and level-matched, and the planted copies.

All clips of a study are made together, because all takes of an excerpt share one loudness and
one length; they are exchanged in one transaction, so nobody ever hears half of a new set.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from panel.audio.prepare import clips as audio
from panel.audio.prepare.clips import PreparedClip, Span, TakeInFile
from panel.errors import BadInput, Conflict, NotFound
from panel.stages.clips import planting
from panel.stages.clips.measured import measured
from panel.stages.clips.samples import clip_samples, write_clip
from panel.stages.rows import (
    clip_basis,
    clips_in,
    clips_missing,
    excerpts_in,
    finite,
    plan_row,
    planted_in,
    takes_in,
)
from panel.stages.studies import unlocked
from panel.stages.takes import leaders, originals
from panel.store.session import Store, write_first
from panel.store.tables import Clip, Study, Take

__all__ = [
    "LEVELS", "ClipView", "ExcerptClips", "by_excerpt", "check_ready", "clip_samples", "clips",
    "level", "measured", "prepare", "set_level", "stale",
]  # fmt: skip

LEVELS = ("matched", "as_recorded")

Progress = Callable[[int, int], None]
"""Called with the steps done and all steps."""


@dataclass(frozen=True)
class ClipView:
    """A clip in the desk's table. `planted` is "" or what was done to the copy."""

    take_key: str
    take_name: str
    excerpt_key: str
    excerpt_name: str
    planted: str
    rate: int
    seconds: float
    gain_db: float
    delay_ms: float
    delay_samples: float
    drift_ppm: float
    inverted: bool
    residual_db: float | None
    loudness_lufs: float | None
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class ExcerptClips:
    """The clips of one excerpt; `notes` are the warnings about any of them, each once."""

    name: str
    seconds: float
    rate: int
    clips: tuple[ClipView, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Made:
    take_key: str
    excerpt_key: str
    clip: PreparedClip


def prepare(store: Store, study_id: int, progress: Progress | None = None) -> list[ClipView]:
    """Make all clips anew, if takes, excerpts, level or planted checks have changed since.

    For a check alone only its copies are made, unless one needs more headroom than the clips of
    its excerpt have: all of them keep the same.

    Raises BadInput where the takes cannot be prepared together (the sentence says why), Conflict
    when the study was changed meanwhile or is locked; the clips there were stay then.
    """
    say = progress or (lambda done, total: None)
    check_ready(store, study_id)
    with store.session() as s:
        unlocked(s, study_id)
        takes, excerpts = takes_in(s, study_id), excerpts_in(s, study_id)
        basis, missing = clip_basis(s, study_id), clips_missing(s, study_id)
        level = unlocked(s, study_id).level
        hints = leaders.hints(s, study_id, takes)
        checks = planted_in(s, study_id)
    if missing == "none" or (missing == "planted" and planting.plant(store, study_id)):
        return clips(store, study_id)
    total = len(takes) + len(excerpts) * (1 + len(takes)) + 1
    sounds = []
    for number, take in enumerate(takes):
        say(number, total)
        sounds.append(_sound(store, take))
    alignments = audio.align_takes(sounds, hints)
    written: list[str] = []
    try:
        rows = []
        for number, excerpt in enumerate(excerpts):
            done = len(takes) + number * (1 + len(takes))
            say(done, total)
            cut = audio.cut_clips(
                sounds,
                Span(excerpt.start_s, excerpt.end_s),
                matched=level == "matched",
                alignments=alignments,
            )
            made = [
                _Made(take.key, excerpt.key, clip) for take, clip in zip(takes, cut, strict=True)
            ]
            made += _planted(made, checks)
            for step, one in enumerate(_with_headroom(made)):
                say(min(done + 1 + step, total - 1), total)
                key = _write(store, study_id, one)
                written.append(key)
                rows.append(_row(study_id, one, key))
        old = _exchange(store, study_id, basis, rows)
    except BaseException:
        for key in written:
            store.files.remove(key)
        raise
    for key in old:
        store.files.remove(key)
    say(total, total)
    return clips(store, study_id)


def check_ready(store: Store, study_id: int) -> None:
    """Raise what `prepare` would raise before it reads any sound."""
    with store.session() as s:
        unlocked(s, study_id)
        takes = takes_in(s, study_id)
        ready = takes and excerpts_in(s, study_id)
        leaders.hints(s, study_id, takes)
    if not ready:
        raise BadInput(
            "There is nothing to prepare: it takes two takes and an excerpt.",
            hint="Add takes and mark an excerpt first.",
        )


def set_level(store: Store, study_id: int, level: str) -> None:
    """Choose between one loudness for all ("matched") and each take as it is ("as_recorded").
    The clips there are become stale."""
    if level not in LEVELS:
        raise BadInput("The level is either matched, or as recorded.")
    with store.session() as s:
        write_first(s)
        study = unlocked(s, study_id)
        study.level = level
        s.add(study)
        s.commit()


def level(store: Store, study_id: int) -> str:
    with store.session() as s:
        study = s.get(Study, study_id)
        if study is None:
            raise NotFound("There is no such study.")
        return study.level


def stale(store: Store, study_id: int) -> bool:
    """Whether clips are missing, or were made from other takes, excerpts or levels."""
    with store.session() as s:
        return clips_missing(s, study_id) != "none"


def clips(store: Store, study_id: int) -> list[ClipView]:
    """The clips there are, by excerpt and take."""
    with store.session() as s:
        names = {take.key: take.label for take in takes_in(s, study_id)}
        excerpts = {e.key: e.label or f"Excerpt {e.key[1:]}" for e in excerpts_in(s, study_id)}
        checks = planted_in(s, study_id)
        found = clips_in(s, study_id)
    views = []
    for clip in found:
        base, plus, _ = clip.take_key.partition("+")
        what = ""
        if plus:
            kind, amount = checks.get(clip.take_key, ("level", 0.0))
            where = "above 3 kHz" if kind == "shelf" else "in level"
            what = f"{amount:+g} dB {where}".replace("-", "−")
        views.append(
            ClipView(
                take_key=clip.take_key,
                take_name=names.get(base, base),
                excerpt_key=clip.excerpt_key,
                excerpt_name=excerpts.get(clip.excerpt_key, clip.excerpt_key),
                planted=what,
                rate=clip.rate,
                seconds=clip.frames / clip.rate,
                gain_db=clip.gain_db,
                delay_ms=1000 * clip.delay_samples / clip.rate,
                delay_samples=clip.delay_samples,
                drift_ppm=clip.drift_ppm,
                inverted=clip.inverted,
                residual_db=clip.residual_db,
                loudness_lufs=clip.loudness_lufs,
                warnings=tuple(warning["sentence"] for warning in clip.warnings),
            )
        )
    return views


def by_excerpt(found: Sequence[ClipView]) -> list[ExcerptClips]:
    """The clips as tables, one an excerpt."""
    tables = []
    for key in dict.fromkeys(clip.excerpt_key for clip in found):
        mine = tuple(clip for clip in found if clip.excerpt_key == key)
        notes = tuple(dict.fromkeys(note for clip in mine for note in clip.warnings))
        first = mine[0]
        tables.append(ExcerptClips(first.excerpt_name, first.seconds, first.rate, mine, notes))
    return tables


def _sound(store: Store, take: Take) -> TakeInFile:
    return TakeInFile(f"Take {take.label}", originals.opened(store, take))


def _planted(made: Sequence[_Made], checks: dict[str, tuple[str, float]]) -> list[_Made]:
    """The planted copies of one excerpt's clips."""
    base = {one.take_key: one for one in made}
    copies = []
    for key, (kind, amount) in checks.items():
        unchanged = base[key.partition("+")[0]]
        clip = unchanged.clip
        copy = planting.copy_of(clip.samples, clip.rate, kind, amount)
        changed = replace(
            clip,
            samples=copy.samples,
            loudness_lufs=copy.loudness_lufs,
            true_peak_db=copy.true_peak_db,
            residual_db=None,
            warnings=(),
        )
        copies.append(_Made(key, unchanged.excerpt_key, changed))
    return copies


def _with_headroom(made: Sequence[_Made]) -> list[_Made]:
    """Lower all clips of an excerpt alike where a planted copy would pass the true-peak limit."""
    over = max(one.clip.true_peak_db for one in made)
    down = min(0.0, planting.HEADROOM_DBTP - over)
    if down >= 0.0:
        return list(made)
    return [
        replace(
            one,
            clip=replace(
                one.clip,
                samples=one.clip.samples * 10 ** (down / 20),
                gain_db=one.clip.gain_db + down,
                loudness_lufs=one.clip.loudness_lufs + down,
                true_peak_db=one.clip.true_peak_db + down,
            ),
        )
        for one in made
    ]


def _write(store: Store, study_id: int, one: _Made) -> str:
    return write_clip(store, study_id, one.take_key, one.excerpt_key, one.clip.samples)


def _row(study_id: int, one: _Made, key: str) -> Clip:
    clip = one.clip
    said = [{"code": w.code, "sentence": w.sentence} for w in clip.warnings]
    if clip.swapped and "+" not in one.take_key:
        sentence = f"{clip.name} had left and right exchanged; they were put back."
        said.append({"code": "swapped", "sentence": sentence})
    return Clip(
        study_id=study_id,
        take_key=one.take_key,
        excerpt_key=one.excerpt_key,
        samples_key=key,
        rate=clip.rate,
        channels=clip.samples.shape[1],
        frames=clip.samples.shape[0],
        gain_db=clip.gain_db,
        delay_samples=clip.delay_samples,
        drift_ppm=clip.drift_ppm,
        inverted=clip.inverted,
        residual_db=finite(clip.residual_db),
        loudness_lufs=finite(clip.loudness_lufs),
        warnings=said,
    )


def _exchange(store: Store, study_id: int, basis: str, rows: Iterable[Clip]) -> list[str]:
    """Put the new clips in place of the old ones; returns the files of the old."""
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        if clip_basis(s, study_id) != basis:
            raise Conflict(
                "Takes or excerpts were changed while the clips were being prepared.",
                hint="Prepare them once more.",
            )
        old = clips_in(s, study_id)
        for clip in old:
            s.delete(clip)
        s.flush()
        s.add_all(rows)
        row = plan_row(s, study_id)
        row.document = {**row.document, "clips_made_from": basis}
        s.add(row)
        s.commit()
    return [clip.samples_key for clip in old]
