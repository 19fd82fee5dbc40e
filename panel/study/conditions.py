"""The conditions of a contrast, their takes, and the strata that takes may be crossed over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from panel.errors import BadInput
from panel.study.documents import Json
from panel.study.factors import TakeLog


@dataclass(frozen=True)
class Condition:
    """One state of the thing that was changed, with the takes recorded in that state.

    `dose`: its value where the factor is numeric.
    """

    label: str
    takes: tuple[str, ...]
    dose: float | None = None

    def document(self) -> dict[str, Json]:
        return {"label": self.label, "dose": self.dose, "takes": list(self.takes)}


@dataclass(frozen=True)
class Stratum:
    """Takes alike in the given factors; `label` tells their values."""

    label: str
    takes: tuple[str, ...]

    def document(self) -> dict[str, Json]:
        return {"label": self.label, "takes": list(self.takes)}


def groups_of(strata: Sequence[Stratum]) -> dict[str, int]:
    """Take id to the index of its stratum; empty where nothing is given."""
    return {take: i for i, stratum in enumerate(strata) for take in stratum.takes}


def sides_of(conditions: Sequence[Condition], takes: Sequence[TakeLog]) -> list[list[TakeLog]]:
    """The logs of each condition's takes. Raises BadInput as the guard says."""
    known: Mapping[str, TakeLog] = {take.take_id: take for take in takes}
    if len(conditions) < 2:
        raise BadInput("A contrast needs two conditions.", hint="Name a second one.")
    labels = [condition.label.strip() for condition in conditions]
    if len(set(labels)) < len(labels) or not all(labels):
        raise BadInput("Each condition needs a name of its own.", hint="Rename one of them.")
    used: dict[str, str] = {}
    sides = []
    for condition in conditions:
        if not condition.takes:
            raise BadInput(
                f"Condition “{condition.label}” has no takes.", hint="Give it one at least."
            )
        for take in condition.takes:
            if take not in known:
                raise BadInput(f"There is no take {take}.", hint="Choose among the study's takes.")
            if take in used:
                raise BadInput(
                    f"Take {known[take].name} stands under “{used[take]}” and again under "
                    f"“{condition.label}”.",
                    hint="Leave it on one side.",
                )
            used[take] = condition.label
        sides.append([known[take] for take in condition.takes])
    return sides
