"""What becomes of a verdict when one listener, excerpt or take is left out, in words."""

from collections.abc import Mapping, Sequence

from panel.analysis.wording.sentence import CODE_WORDS
from panel.prose import Language, listed
from panel.study.plan import Plan
from panel.study.verdict import ContrastLeftOut, ContrastVerdict, LeftOut

NAMED = 4
ALONE = {
    "listener": "One listener's votes count, so no listener can be left out.",
    "excerpt": "One excerpt was heard, so no excerpt can be left out.",
    "take": "No take can be left out: each is the only one of its condition.",
}
STAYS = {
    "listener": "The verdict stays whichever listener is left out ({tried} tried).",
    "excerpt": "The verdict stays whichever excerpt is left out ({tried} tried).",
    "take": "The verdict stays whichever take is left out ({tried} tried).",
}
STAYS_FOR_SOME = {
    "listener": (
        "The verdict stays whichever of the {tried} listeners who move it most is left out; the "
        "other {others} were not tried."
    ),
    "take": (
        "The verdict stays whichever take is left out ({tried} tried; the only take of a condition "
        "cannot be)."
    ),
}
CHANGES_ALWAYS = {
    "listener": "The verdict changes whichever listener is left out ({tried} tried): then {then}.",
    "excerpt": "The verdict changes whichever excerpt is left out ({tried} tried): then {then}.",
    "take": "The verdict changes whichever take is left out ({tried} tried): then {then}.",
}
CHANGES_FOR_MANY = {
    "listener": (
        "The verdict changes if one of {gone} of the {tried} listeners tried is left out: then "
        "{then}."
    ),
    "excerpt": (
        "The verdict changes if one of {gone} of the {tried} excerpts tried is left out: then "
        "{then}."
    ),
    "take": (
        "The verdict changes if one of {gone} of the {tried} takes tried is left out: then {then}."
    ),
}
CHANGES_FOR_SOME = {
    "listener": "The verdict changes if one of the listeners {named} is left out: then {then}.",
    "excerpt": "The verdict changes if one of the excerpts {named} is left out: then {then}.",
    "take": "The verdict changes if one of the takes {named} is left out: then {then}.",
}
CHANGES_FOR_ONE = {
    "listener": "The verdict changes if listener {named} is left out: then {then}.",
    "excerpt": "The verdict changes if excerpt {named} is left out: then {then}.",
    "take": "The verdict changes if {named} is left out: then {then}.",
}


def sentences(
    say: Language, plan: Plan, left: LeftOut, found: ContrastLeftOut, entry: ContrastVerdict
) -> tuple[str, ...]:
    """Whether the verdict stays, for each kind of what can be left out; none without votes."""
    if not entry.trials:
        return ()
    contrast = plan.contrast(entry.id)
    pooled = plan.contrast(contrast.of) if contrast.of else contrast
    present = {**left.present, "take": len(pooled.side_of)}
    out: list[str] = []
    for kind, tried in found.tried.items():
        changed = _by_code(plan.take_labels, found, kind)
        out += [_changes(say, kind, gone, tried, code) for code, gone in changed.items()] or [
            _stays(say, kind, tried, present[kind])
        ]
    return tuple(out)


def _by_code(labels: Mapping[str, str], found: ContrastLeftOut, kind: str) -> dict[str, list[str]]:
    """What has to be left out for each other code."""
    out: dict[str, list[str]] = {}
    for change in found.changes:
        if change.kind == kind:
            what = change.left_out
            name = f"“{labels.get(what, what)}”" if kind == "take" else what
            out.setdefault(change.verdict, []).append(name)
    return out


def _stays(say: Language, kind: str, tried: int, present: int) -> str:
    if tried == 0:
        return say(ALONE[kind])
    texts = STAYS_FOR_SOME if tried < present and kind in STAYS_FOR_SOME else STAYS
    return say(texts[kind], tried=tried, others=present - tried)


def _changes(say: Language, kind: str, gone: Sequence[str], tried: int, then: str) -> str:
    if tried == len(gone) > 1:
        texts = CHANGES_ALWAYS
    elif len(gone) > NAMED:
        texts = CHANGES_FOR_MANY
    else:
        texts = CHANGES_FOR_SOME if len(gone) > 1 else CHANGES_FOR_ONE
    return say(
        texts[kind],
        gone=len(gone),
        tried=tried,
        named=listed(gone, say),
        then=say(CODE_WORDS[then]),
    )
