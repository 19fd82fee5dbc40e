"""What a model found remarkable, and why it could not be fitted, in words."""

from collections.abc import Mapping, Sequence

from panel.analysis import refusals
from panel.analysis.mixed import notes
from panel.marked import T_
from panel.prose import Language
from panel.study.verdict import Put, Remark

GROUPS = T_(("listener", "excerpt", "pair", "listener by question"))


def noted(say: Language, remarks: Sequence[Remark]) -> str:
    """What is remarkable about a fitted model; that it converged, where nothing is."""
    said = [say(notes.TEXTS[r.code], **_named(say, notes.shown(r))) for r in remarks]
    return " ".join(said) or say(notes.SETTLED)


def refused(say: Language, remark: Remark) -> tuple[str, str]:
    """Why the votes do not bear a model, and what to do ("" for nothing)."""
    message, hint = refusals.TEXTS[remark.code]
    put = _named(say, remark.values)
    return say(message, **put), say(hint, **put) if hint else ""


def _named(say: Language, values: Mapping[str, Put]) -> dict[str, Put]:
    """The same with the model's groups by their names in the language."""
    put = dict(values)
    if "group" in put:
        put["group"] = say(str(put["group"]))
    if "groups" in put:
        put["groups"] = ", ".join(map(say, str(put["groups"]).split(", ")))
    return put
