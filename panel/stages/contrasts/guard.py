"""What the guard against two changes at once says of a study's takes, asked anew every time.

Nothing of it is kept: the log may change after a contrast was made.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

from sqlmodel import Session

from panel.design.guard.check import guard
from panel.design.guard.result import GuardResult
from panel.errors import BadInput, NotFound
from panel.prose import listed
from panel.stages.rows import factors_in, log_of, takes_in, twins_of
from panel.store.session import Store
from panel.store.tables import Take
from panel.study.conditions import Condition
from panel.study.factors import Factor, is_logged, value_groups, value_text


def judge(
    store: Store,
    study_id: int,
    conditions: Sequence[Condition],
    override_reason: str | None = None,
    given: Sequence[str] = (),
) -> GuardResult:
    """What the guard says about conditions that are not kept yet."""
    with store.session() as s:
        return guarded(s, study_id, conditions, override_reason, given)


def by_value(
    store: Store, study_id: int, factor_key: str, values: Sequence[str] | None = None
) -> tuple[Condition, ...]:
    """The study's takes as conditions, one for each logged value of a factor (or those named)."""
    with store.session() as s:
        factor = known_factor(factors_in(s, study_id), factor_key)
        takes = takes_in(s, study_id)
    conditions = []
    for value, members in value_groups(factor, [log_of(take) for take in takes]):
        text = value_text(factor, value)
        if values is None or text in values:
            dose = float(value) if isinstance(value, int | float) else None
            conditions.append(Condition(text, tuple(m.take_id for m in members), dose))
    return tuple(conditions)


def guarded(
    session: Session,
    study_id: int,
    conditions: Sequence[Condition],
    override_reason: str | None,
    given: Sequence[str] = (),
) -> GuardResult:
    logs = [log_of(take) for take in takes_in(session, study_id)]
    return guard(conditions, logs, factors_in(session, study_id), override_reason, given)


def check_comparable(session: Session, study_id: int, conditions: Sequence[Condition]) -> None:
    """Refuse takes that cannot be compared fairly, whatever the log says of them."""
    chosen = {key for condition in conditions for key in condition.takes}
    takes = [take for take in takes_in(session, study_id) if take.key in chosen]
    for key, name in twins_of(takes).items():
        label = next(take.label for take in takes if take.key == key)
        raise BadInput(
            f"Takes {name} and {label} are the same file.",
            hint="Leave one of them out: a copy is no second take.",
        )
    _alike(
        takes, "rate", lambda take: f"is at {take.rate:,} Hz", "Export them all at one sample rate."
    )
    _alike(
        takes,
        "channels",
        lambda take: "has one channel" if take.channels == 1 else "has two channels",
        "Export them all as mono, or all as stereo.",
    )
    _alike(
        takes,
        "lossy",
        lambda take: f"is a lossy file ({take.format})" if take.lossy else "is lossless",
        "Compare lossless takes only with lossless ones.",
    )


def channel_warnings(
    session: Session, study_id: int, conditions: Sequence[Condition]
) -> tuple[str, ...]:
    """A sentence where the takes were cut from different channels of their files."""
    chosen = {key for condition in conditions for key in condition.takes}
    by_choice: dict[tuple[int, ...], str] = {}
    for take in takes_in(session, study_id):
        if take.key in chosen and take.kept_channels:
            by_choice.setdefault(tuple(take.kept_channels), take.label)
    if len(by_choice) < 2:
        return ()
    said = (
        f"take {label} is channel{'s' if len(numbers) > 1 else ''} "
        f"{listed(map(str, numbers))} of its file"
        for numbers, label in by_choice.items()
    )
    sentence = f"{', '.join(said)}: if those are other microphones, that alone can be heard."
    return (sentence[0].upper() + sentence[1:],)


def with_doses(
    session: Session, study_id: int, conditions: Sequence[Condition], factor: Factor
) -> tuple[Condition, ...]:
    logged = {take.key: take.log.get(factor.id) for take in takes_in(session, study_id)}
    done = []
    for condition in conditions:
        values = [logged[key] for key in condition.takes if is_logged(logged.get(key))]
        dose = condition.dose
        if dose is None and values:
            dose = float(values[0] or 0.0)
        done.append(replace(condition, dose=dose))
    return tuple(sorted(done, key=lambda c: (c.dose is None, c.dose or 0.0)))


def known_factor(factors: Sequence[Factor], key: str) -> Factor:
    found = next((factor for factor in factors if factor.id == key), None)
    if found is None:
        raise NotFound(f"There is no factor “{key}” in this study.")
    return found


def _alike(takes: Sequence[Take], what: str, words: Callable[[Take], str], hint: str) -> None:
    for take in takes[1:]:
        if getattr(take, what) != getattr(takes[0], what):
            raise BadInput(
                f"Take {takes[0].label} {words(takes[0])} and take {take.label} "
                f"{words(take)}: that alone could be heard.",
                hint=hint,
            )
