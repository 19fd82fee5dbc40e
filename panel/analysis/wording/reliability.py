"""How reliable the panel was as a whole, in sentences."""

from collections.abc import Mapping, Sequence
from typing import Any

from panel.analysis.wording.phrases import percent
from panel.prose import plural


def of_panel(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    """Sentences on the panel as a whole, from what `per_listener` gave; everybody is counted.

    Only counts: listeners differ, so votes of all together have no interval of their own here.
    """
    planted = [e["planted"] for e in entries if e.get("planted")]
    out = []
    if planted:
        right, asked = (sum(p[key] for p in planted) for key in ("count", "trials"))
        perfect = sum(p["count"] == p["trials"] for p in planted)
        out.append(
            f"Planted checks were answered right in {right:,} of {asked:,} trials "
            f"({percent(right / asked)}); {perfect:,} of {plural(len(planted), 'listener')} got "
            "all of theirs right."
        )
    else:
        out.append("No planted check was answered, so nobody is shown to have been able.")
    repeats = [e["repeats"] for e in entries if e.get("repeats")]
    if repeats:
        same, compared = (sum(r[key] for r in repeats) for key in ("same", "compared"))
        out.append(
            "Asked a question about the same pair and excerpt again, "
            f"{plural(len(repeats), 'listener')} "
            f"answered as before in {same:,} of {compared:,} cases ({percent(same / compared)}): "
            "right both times or wrong both times, or, where nothing is right, for the same take. "
            "Guessing gives about half."
        )
    else:
        out.append(
            "No listener met the same pair and excerpt twice: the schedule puts different pairs "
            "first, so how far listeners agree with themselves cannot be told."
        )
    return out
