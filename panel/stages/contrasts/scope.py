"""How far claims about a study's takes can reach, from its log as it stands."""

from collections.abc import Mapping, Sequence

from sqlmodel import Session

from panel.design.guard.scope_words import Reach, Recorded, Remark, log_remarks, reach
from panel.stages.rows import draws_in, factors_in, log_of, plan_row, sound_of, takes_in
from panel.store.session import Store
from panel.store.tables import Study
from panel.study.conditions import Condition
from panel.study.rules import read_rules
from panel.study.sampling import NOTHING_GIVEN


def recorded_in(session: Session, study_id: int) -> Recorded:
    """What is logged of all takes, and the orders that were drawn."""
    takes = takes_in(session, study_id)
    return Recorded(
        [log_of(take) for take in takes],
        draws_in(session, study_id),
        session.get_one(Study, study_id).carrier,
        {take.key: sound_of(take) for take in takes},
    )


def reach_in(
    session: Session,
    study_id: int,
    conditions: Sequence[Condition],
    factor: str | None,
    *,
    is_dose: bool,
    strata: Mapping[str, int] = NOTHING_GIVEN,
) -> Reach:
    """How far a claim about these conditions can reach. `factor`: the key of what is asked about;
    `is_dose`: the conditions are in order; `strata`: take id to those alike in what is given."""
    asked = next((known for known in factors_in(session, study_id) if known.id == factor), None)
    recorded = recorded_in(session, study_id)
    alpha = alpha_in(session, study_id)
    return reach(conditions, recorded, alpha=alpha, is_dose=is_dose, factor=asked, strata=strata)


def alpha_in(session: Session, study_id: int) -> float:
    """The plan's, by the desk's rules while it is a draft."""
    return read_rules(plan_row(session, study_id).document.get("rules", {})).alpha


def of_the_log(store: Store, study_id: int) -> tuple[Remark, ...]:
    """What is wrong in the log by itself, whatever is asked."""
    with store.session() as s:
        return log_remarks(recorded_in(s, study_id))
