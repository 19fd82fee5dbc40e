"""What the guard says about a contrast."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from panel.design.guard.clean_pairs import CleanPair
from panel.study.conditions import Stratum

Role = Literal["question", "retake_control"]


@dataclass(frozen=True)
class GuardResult:
    """What the guard says about a contrast.

    `role` is what the takes are good for; `allowed` whether it may be asked as it stands.
    `differs`, `unlogged`: factor ids between the sides. `within`: factor ids that vary inside a
    condition. `sentence` is the finding; `warnings` are further sentences, none of which forbids.
    `given`, `strata`: the factors the takes are crossed over, and the takes alike in them; then
    everything else is said of pairs within a stratum.
    `order_warning` is "" or the sentence on the order of recording within strata (it is also among
    the warnings); on the order else, see `panel.design.guard.scope_words`.
    """

    role: Role
    allowed: bool
    overridden: bool
    factor: str | None
    differs: tuple[str, ...]
    unlogged: tuple[str, ...]
    within: tuple[str, ...]
    sentence: str
    nearest: tuple[CleanPair, ...]
    warnings: tuple[str, ...]
    order_warning: str = ""
    given: tuple[str, ...] = ()
    strata: tuple[Stratum, ...] = ()
