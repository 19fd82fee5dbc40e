"""The rules that the desk sets for a plan to be, as they are kept while it is a draft."""

from __future__ import annotations

from dataclasses import dataclass

from panel.study.documents import Entry, Json
from panel.study.plan import Exclusion

HINT = "Set the rules of the plan anew."


@dataclass(frozen=True)
class Rules:
    """What a plan says beside takes, excerpts and contrasts; the defaults are the desk's."""

    alpha: float = 0.05
    limit: float = 0.25
    stop_kind: str = "fixed"
    listeners: int = 40
    planted_least_right: int | None = None
    headphones: str = Exclusion.headphones
    headphone_check: str = Exclusion.headphone_check
    own_summary: bool = False

    def document(self) -> dict[str, Json]:
        return {
            "alpha": self.alpha,
            "limit": self.limit,
            "stop_kind": self.stop_kind,
            "listeners": self.listeners,
            "planted_least_right": self.planted_least_right,
            "headphones": self.headphones,
            "headphone_check": self.headphone_check,
            "own_summary": self.own_summary,
        }


def read_rules(document: dict[str, Json]) -> Rules:
    """The rules that were kept; the desk's defaults for those that were not."""
    kept = Entry({**Rules().document(), **document}, "draft of the plan", HINT)
    least = kept["planted_least_right"]
    return Rules(
        alpha=kept["alpha"].number(),
        limit=kept["limit"].number(),
        stop_kind=kept["stop_kind"].text(),
        listeners=kept["listeners"].count(),
        planted_least_right=None if least.absent else least.count(),
        headphones=kept["headphones"].text(),
        headphone_check=kept["headphone_check"].text(),
        own_summary=kept["own_summary"].flag(),
    )
