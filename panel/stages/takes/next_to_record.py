"""What to record next: a mixed order, so that order and condition are not one."""

import numpy as np

from panel.design.guard.order import mixed_order
from panel.errors import BadInput
from panel.stages.takes.chain_log import grid
from panel.store.session import Store

MOST = 100


def labels(store: Store, study_id: int, typed: str) -> tuple[str, ...]:
    """Names of conditions: those typed, one a line, or else the values of the first factor that
    differs in the log."""
    lines = [" ".join(line.split())[:80] for line in typed.splitlines()]
    given = tuple(dict.fromkeys(line for line in lines if line))
    if given:
        return given
    log = grid(store, study_id)
    for factor, varies in zip(log.factors, log.varies, strict=True):
        if varies:
            return log.known_values(factor.id)
    return ()


def order(conditions: tuple[str, ...], each: str) -> tuple[str, ...]:
    """The conditions in a random order, each `each` times. Raises BadInput."""
    count = int(each) if each.isdecimal() and len(each) < 6 else 0
    if not conditions or count < 1 or count * len(conditions) > MOST:
        raise BadInput(
            f"Name one condition or more, and 1 to {MOST} takes in all.",
            hint="Four takes of each condition are a good number.",
        )
    return mixed_order(np.random.default_rng(), dict.fromkeys(conditions, count))
