"""The numbers of a contrast, each with its name in plain words: term and value."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from panel.analysis.sizes import MEAN_SHARE, TYPICAL, UNLIKE
from panel.procedures.base import Procedure
from panel.procedures.catalogue import PROCEDURES
from panel.prose import (
    about,
    chance_of,
    count,
    decimal,
    evidence,
    number_range,
    p_value,
    percent,
    percent_down,
    percent_range,
    percent_up,
    plural,
)
from panel.report.figures.outcome import later

Line = tuple[str, str]
SIZE_WORDS = {
    TYPICAL: "Size d′ of the typical listener",
    UNLIKE: "Mean size d′ over listeners, who differ widely",
    MEAN_SHARE: "Size d′ that this share right amounts to",
}


def number_lines(
    plan: Mapping[str, Any], contrast: Mapping[str, Any], entry: Mapping[str, Any]
) -> list[Line]:
    """Terms and values for the report; what was not computed is left out."""
    numbers = entry["numbers"]
    kind = PROCEDURES[contrast["procedure"]]
    directed_question = kind.directed and contrast["role"] == "question"
    questions = sum(c["role"] == "question" for c in plan["contrasts"])
    lines: list[Line] = [("Procedure", _procedure(contrast))]
    if entry["correct"] is not None:
        name = f"Votes for “{later(contrast)}”" if directed_question else "Right answers"
        lines.append((name, f"{count(entry['correct'])} of {count(entry['trials'])}"))
        if numbers.get("neither") is not None:
            lines.append(("Neither preferred (half to each side in the share)",
                          count(numbers["neither"])))  # fmt: skip
        lines.append(("By guessing", f"about {about(entry['trials'] * kind.chance)}"))
    else:
        lines.append(("Votes", count(entry["trials"])))
    if numbers.get("share_right") is not None:
        interval = percent_range(numbers.get("interval"))
        lines.append(
            (
                f"Share, with its {percent(plan['confidence'])} interval over listeners",
                f"{percent(numbers['share_right'])} ({interval})",
            )
        )
    lines += _chance(plan, kind, numbers, questions)
    if numbers.get("within_right") is not None and numbers.get("within_trials"):
        lines.append(
            (
                "Retakes of the same told apart",
                f"{count(numbers['within_right'])} of {count(numbers['within_trials'])} "
                f"({percent(numbers.get('within_share'))})",
            )
        )
    lines += _rates(numbers)
    lines += _anytime_difference(numbers)
    lines += _attribution(numbers, questions)
    if numbers.get("share_upper") is not None:
        lines.append(
            (
                "Share who hear it (as if they always did)",
                f"at least {percent_down(numbers.get('share_lower'))}, at most "
                f"{percent_up(numbers['share_upper'])}; estimate "
                f"{percent(numbers.get('share_estimate'))}",
            )
        )
    lines += _size(numbers)
    if numbers.get("e_value") is not None:
        lines.append(
            (
                "Evidence against guessing alone, 1 being none (anytime-valid: true whenever one "
                "looks)",
                f"{evidence(numbers['e_value'])} times"
                + ("" if plan["stop"]["kind"] == "anytime" else "; decides nothing in this plan"),
            )
        )
    if numbers.get("listeners"):
        cast = numbers.get("votes_cast")
        planned = numbers.get("votes_planned")
        lines.append(("From", f"{plural(numbers['listeners'], 'listener')} who count"))
        if cast and planned:
            with_them = "" if contrast["role"] == "planted_check" else (
                ", those on retakes and of listeners left out included"
            )  # fmt: skip
            lines.append((f"Votes cast{with_them}", f"{count(cast)} of {count(planned)} planned"))
    return lines


def left_out_lines(verdict: Mapping[str, Any], contrast_id: str) -> list[Line]:
    """What the verdict becomes when one listener, excerpt or take is left out, in words."""
    told = (verdict.get("left_out") or {}).get("contrasts") or ()
    sentences = [s for entry in told if entry["id"] == contrast_id for s in entry["sentences"]]
    return [("With one left out", " ".join(sentences))] if sentences else []


def _procedure(contrast: Mapping[str, Any]) -> str:
    kind = PROCEDURES[contrast["procedure"]]
    return f"{kind.name}: “{kind.question_text(contrast.get('attribute'))}”"


def _chance(
    plan: Mapping[str, Any], kind: Procedure, numbers: Mapping[str, Any], questions: int
) -> list[Line]:
    """How often guessing would give such votes: never how likely it is that somebody guesses.

    In an anytime plan only the anytime-valid p counts, so only that is shown.
    """
    anytime = plan["stop"]["kind"] == "anytime"
    p = numbers.get("p_anytime" if anytime else "p_chance")
    if p is None:
        return []
    who = "A coin" if kind.directed else "Guessing"
    does = "lean as far, either way" if kind.directed else "do as well"
    lines = [(f"{who} would{' ever' if anytime else ''} {does}", _p(p))]
    if numbers.get("p_chance_holm") is not None and questions > 1:
        lines.append((f"The same, over {questions} questions", _p_only(numbers["p_chance_holm"])))
    return lines


def _rates(numbers: Mapping[str, Any]) -> list[Line]:
    """Same–different: how often each kind of pair was called different."""
    found = numbers.get("rates")
    if not found:
        return []
    lines = []
    for name, count_of, trials, rate, interval in (
        ("Two takes across conditions called different", "hits", "different_trials", "hit_rate",
         "hit_interval"),
        ("One take twice called different", "false_alarms", "same_trials", "false_alarm_rate",
         "false_alarm_interval"),
    ):  # fmt: skip
        if found[trials]:
            lines.append(
                (
                    name,
                    f"{count(found[count_of])} of {count(found[trials])}, "
                    f"{percent(found[rate])} ({percent_range(found[interval])} over listeners)",
                )
            )
    return lines


def _anytime_difference(numbers: Mapping[str, Any]) -> list[Line]:
    found = numbers.get("anytime_difference")
    if not found:
        return []
    return [
        (
            "Told apart more often than retakes, in these recordings, whenever looked at",
            f"the comparison across was the right one in {count(found['across_right'])} of "
            f"{count(found['one_right'])} pairs of votes with one right "
            f"({_p_only(found['p_anytime'])})",
        )
    ]


def _attribution(numbers: Mapping[str, Any], questions: int) -> list[Line]:
    found = numbers.get("attribution")
    if not found or found.get("p") is None:
        return []
    ways = found.get("labelings")
    if not ways:  # takes went by condition: no relabelling
        return [("Above one half also over takes, each left out in turn", _p(found["p"]))]
    if found.get("exact"):
        as_much = f"{round(found['p'] * ways):,} of all {ways:,} ways (p {p_value(found['p'])})"
    else:
        as_much = f"{_p(found['p'])}, from a draw of the {count(ways)} ways"
    lines = [("Labels put on the takes in other ways show as much", as_much)]
    if numbers.get("p_heard_holm") is not None:
        over = f", over {questions} questions" if questions > 1 else ""
        lines.append((f"The larger of the two p{over}", _p_only(numbers["p_heard_holm"])))
    return lines


def _size(numbers: Mapping[str, Any]) -> list[Line]:
    if numbers.get("dprime") is None:
        return []
    lines: list[Line] = []
    interval = numbers.get("dprime_interval")
    text = decimal(numbers["dprime"])
    text = f"{text} ({number_range(interval)})" if interval else text
    of = numbers.get("dprime_of")
    if of == UNLIKE and numbers.get("share_upper") is not None:
        lines.append(
            (
                "Size d′",
                "none for a typical listener: listeners differ too much; see the share who hear it",
            )
        )
    else:
        lines.append((SIZE_WORDS.get(str(of), "Size d′"), text))
    spreads = [
        f"{name} {decimal(numbers[key])}"
        for name, key in (
            ("listeners", "listener_sd"), ("takes", "take_sd"), ("excerpts", "excerpt_sd"),
        )
        if numbers.get(key) is not None
    ]  # fmt: skip
    if spreads:
        lines.append(("Spread of d′ (standard deviation) over", ", ".join(spreads)))
    if numbers.get("model_message"):
        lines.append(("About the size", str(numbers["model_message"])))
    return lines


def _p_only(p: float) -> str:
    return f"p {p_value(p)}"


def _p(p: float) -> str:
    return f"{chance_of(p)} (p {p_value(p)})"
