"""What the verdict does not cover: the codes of its limits."""

from collections.abc import Sequence

from panel.analysis.decision.judgement import Judgement
from panel.study.plan import Plan
from panel.study.verdict import Remark
from panel.study.votes import ListenerTable

ALWAYS = tuple(map(Remark, ("equipment", "such_listeners", "as_if_always", "recordings")))
FEW_EXCERPTS = 6
FEW_TAKES = 3


def limits(plan: Plan, judged: Sequence[Judgement], listeners: ListenerTable) -> tuple[Remark, ...]:
    """Codes and numbers of what the verdict does not cover, in order."""
    questions = [j.contrast for j in judged if j.contrast.role == "question"]
    checks = [j for j in judged if j.contrast.role == "planted_check"]
    few_takes = any(len(c.takes) < FEW_TAKES for q in questions for c in q.conditions)
    there = (
        ("few_excerpts", len(plan.excerpts) < FEW_EXCERPTS),
        ("level_matched", any(c.level == "matched" for c in questions)),
        ("level_as_recorded", any(c.level == "as_recorded" for c in questions)),
    )
    after = (
        ("few_takes", few_takes),
        ("check_shows", any(j.code == "heard" for j in checks)),
        ("no_check", not checks),
        ("loudness_left", any(c.directed for c in questions)),
    )
    return (
        *ALWAYS,
        *(Remark(code) for code, holds in there if holds),
        *_of_playback(listeners),
        *(Remark(code) for code, holds in after if holds),
    )


def _of_playback(listeners: ListenerTable) -> tuple[Remark, ...]:
    if {*listeners.playback} == {"unknown"} and {*listeners.headphone_check} == {"not taken"}:
        return (Remark("playback_unknown"),)
    if not len(listeners):
        return ()
    told = {
        "declared": sum(how in ("headphones", "earphones") for how in listeners.playback),
        "listeners": len(listeners),
        "passed": listeners.headphone_check.count("passed"),
    }
    return (Remark("playback", {**told}),)
