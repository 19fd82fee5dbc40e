"""Planted checks: a known difference made on a copy of a take, so that listening itself is tested.

The clips of the copy are made when the study is prepared.
"""

from dataclasses import replace

from panel.errors import BadInput
from panel.procedures.catalogue import FOR_CHECKS, choose
from panel.procedures.catalogue import procedure as kind_of
from panel.stages.contrasts.rows import (
    checked_votes,
    contrast_in,
    keep_contrast,
    tidy_attribute,
)
from panel.stages.rows import take_in
from panel.stages.studies import unlocked
from panel.store.session import Store, write_first
from panel.study.conditions import Condition
from panel.study.plan import Contrast, Planted

PLANTED = {"shelf": "above 3 kHz", "level": "in level"}


def add_planted_check(
    store: Store,
    study_id: int,
    *,
    take_key: str,
    kind: str,
    amount_db: float,
    procedure: str,
    votes_per_listener: int,
    attribute: str | None = None,
) -> str:
    """A known, audible difference made on a copy of a take; its clips are made at prepare.

    `kind`: "shelf" (dB above 3 kHz) or "level" (dB).
    """
    proc = kind_of(procedure)
    if "heard" not in proc.earns:
        raise BadInput(
            "A planted check needs a right answer, which a preference has not.",
            hint=choose(FOR_CHECKS),
        )
    if kind not in PLANTED:
        raise BadInput("A check is planted as a shelf above 3 kHz or as a level.")
    if not 0.1 <= abs(amount_db) <= 24:
        raise BadInput(
            f"A planted change of {amount_db:g} dB cannot be used: it must be from 0.1 to 24 dB.",
            hint="6 dB above 3 kHz is plain to hear.",
        )
    if proc.directed and amount_db < 0:
        raise BadInput(
            "With a named attribute the planted copy must have more of it.",
            hint="Give the amount without a minus.",
        )
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        take = take_in(s, study_id, take_key)
        amount = f"{amount_db:+g} dB {PLANTED[kind]}".replace("-", "−")
        check = Contrast(
            id="",
            name=f"Planted check: {amount}",
            role="planted_check",
            procedure=procedure,
            votes_per_listener=checked_votes(votes_per_listener),
            attribute=tidy_attribute(proc, attribute),
            planted=Planted(kind, float(amount_db)),
        )
        key = keep_contrast(s, study_id, "check", check)
        sides = (Condition("unchanged", (take.key,)), Condition("planted", (f"{take.key}+{key}",)))
        kept = contrast_in(s, study_id, key)
        kept.document = replace(check, conditions=sides).document_as_asked()
        s.add(kept)
        s.commit()
    return key
