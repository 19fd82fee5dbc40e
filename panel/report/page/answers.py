"""What a reader asks of each question of the study, answered in plain words from its numbers.

Nothing here is a claim of its own: every answer follows the verdict's code and repeats numbers
that `number_lines` also gives.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from panel.procedures.catalogue import PROCEDURES
from panel.prose import (
    about,
    chance_of,
    count,
    listed,
    p_value,
    percent,
    percent_down,
    percent_up,
    plural,
)
from panel.report.figures.outcome import CLAIMED, ordered

BETTER = "That it sounds better: this question did not ask that."
FEW_EXCERPTS = 6  # below that the limits say so too: panel.analysis.wording.methods


@dataclass(frozen=True)
class Answer:
    """A reader's question and the sentences that answer it."""

    asked: str
    lines: tuple[str, ...]


def in_short(plan: Mapping[str, Any], contrast: Mapping[str, Any], entry: Mapping[str, Any]) -> str:
    """Votes, what guessing gives, and how many people: one or two sentences, number first."""
    numbers, trials = entry["numbers"], entry["trials"]
    if not trials:
        return "No votes count."
    if entry["correct"] is None or numbers.get("share_right") is None:
        return f"{plural(trials, 'blind comparison')}."
    if PROCEDURES[contrast["procedure"]].directed:
        return _leaning(contrast, entry)
    votes = (
        f"{percent(numbers['share_right'])} of answers right ({count(entry['correct'])} of "
        f"{count(trials)}); guessing gives {percent(numbers['chance'])}."
    )
    people = _people(numbers)
    return f"{votes} {people}." if people else votes


def answers(
    plan: Mapping[str, Any],
    contrast: Mapping[str, Any],
    entry: Mapping[str, Any],
    verdict: Mapping[str, Any],
) -> tuple[Answer, ...]:
    """How many, only another recording, how sure, what would help, what not to claim."""
    if not entry["trials"]:
        return ()
    preference = contrast["procedure"] == "preference"
    how_many = "How many people?" if preference else "How many can hear it?"
    asked = (
        (how_many, _how_many(plan, contrast, entry)),
        ("Could it be just another recording?", _another_recording(contrast, entry)),
        ("How sure is this?", _how_sure(plan, entry, verdict)),
        ("What would make it surer?", _surer(plan, entry)),
        ("What must not be claimed?", [*_not_to_claim(contrast, entry), *_not_each(contrast)]),
    )
    return tuple(Answer(question, tuple(lines)) for question, lines in asked if lines)


def _side(contrast: Mapping[str, Any], entry: Mapping[str, Any]) -> tuple[str, int, float]:
    """The side that most votes went to: its name, its votes and its share."""
    conditions = ordered(contrast)
    two = len(conditions) == 2
    low, high = (
        (f"“{conditions[0]['label']}”", f"“{conditions[-1]['label']}”")
        if two
        else ("the lower one", "the higher one")
    )
    share, right, trials = entry["numbers"]["share_right"], entry["correct"], entry["trials"]
    if 2 * right >= trials:
        return high, right, share
    return low, trials - right, 1 - share


def _leaning(contrast: Mapping[str, Any], entry: Mapping[str, Any]) -> str:
    side, votes, share = _side(contrast, entry)
    of = f"{count(votes)} of {count(entry['trials'])}"
    what = f"said {side} has more {contrast['attribute']}"
    if contrast["procedure"] == "preference":
        what = f"preferred {side}"
    neither = entry["numbers"].get("neither")
    if neither:  # ties count half in the share, so share and count would not agree
        return f"{of} votes {what}; a coin gives half. {count(neither)} more preferred neither."
    return f"{percent(share)} of answers {what} ({of}); a coin gives {percent(0.5)}."


def _people(numbers: Mapping[str, Any]) -> str:
    low, high = numbers.get("share_lower"), numbers.get("share_upper")
    if high is None:
        return ""
    if percent_up(high) == percent_up(1.0) and percent_down(low or 0.0) == percent_down(0.0):
        return "How many listeners like these hear it cannot be told from so few"
    if low is None or percent_down(low) == percent_down(0.0):
        return f"At most {percent_up(high)} of listeners like these can hear it every time"
    return (
        f"At least {percent_down(low)} of listeners like these can hear it, at most "
        f"{percent_up(high)} every time"
    )


def _how_many(
    plan: Mapping[str, Any], contrast: Mapping[str, Any], entry: Mapping[str, Any]
) -> list[str]:
    numbers = entry["numbers"]
    if PROCEDURES[contrast["procedure"]].directed:
        tells = " ABX or triangle on the same recordings would tell."
        if contrast["procedure"] == "preference":
            tells = ""
        return [f"This kind of question does not tell: it counts votes, not people.{tells}"]
    people = _people(numbers)
    if not people:
        return ["These votes do not tell."]
    estimate = numbers.get("share_estimate")
    best = f"; best estimate {percent(estimate)}" if estimate is not None else ""
    sure = percent(plan["confidence"])
    return [
        f"{people}{best}. Each limit is meant to hold in {sure} of studies made this way.",
        "The limits count everybody as somebody who always hears it or only guesses. Of people "
        "who hear it now and then there can be more; it may be everybody.",
        *_with_retakes(plan, numbers),
    ]


def _with_retakes(plan: Mapping[str, Any], numbers: Mapping[str, Any]) -> list[str]:
    """Where re-recording alone is heard, the shares hold it too."""
    p = numbers.get("within_p")
    if p is None or p > plan["alpha"]:
        return []
    return [
        "These shares include what re-recording alone does: how many hear the change itself is "
        "not known."
    ]


def _another_recording(contrast: Mapping[str, Any], entry: Mapping[str, Any]) -> list[str]:
    numbers, code = entry["numbers"], entry["verdict"]
    lines = _retakes(entry)
    if numbers.get("barrier"):
        return [*lines, "That cannot be told here. “Step by step” below says why."]
    if code == "rerecording_too":
        return [*lines, "Yes, it could. No more was shown than re-recording can do."]
    if code == "recordings_differ":
        return [*lines, "It could. The change is not shown to be the reason."]
    if code == "divided":
        return ["The split is wider than chance and single recordings explain."]
    if code not in CLAIMED:
        return [*lines, "No difference is claimed here, so there is none to explain."]
    found = numbers.get("attribution")
    if found and found.get("p") is not None:
        lines.append(_relabelled(contrast, found))
    lines.append(
        "So the plan's rule puts it down to the change. Anything that changed along with it and "
        "was not logged would look the same."
    )
    return lines


def _retakes(entry: Mapping[str, Any]) -> list[str]:
    numbers = entry["numbers"]
    right, trials = numbers.get("within_right"), numbers.get("within_trials")
    if right is None or not trials or numbers.get("rates"):
        return []
    return [
        f"Two recordings of the very same thing were told apart in {count(right)} of "
        f"{count(trials)}; guessing gives about {about(trials * numbers['chance'])}."
    ]


def _relabelled(contrast: Mapping[str, Any], found: Mapping[str, Any]) -> str:
    ways, p = found.get("labelings"), found["p"]
    if not ways:
        return f"Over the recordings, each left out in turn, it holds too (p {p_value(p)})."
    group = " of each group" if contrast.get("given") else ""
    start = f"Suppose the names of the conditions were put on the recordings{group} in other ways:"
    shown = "as much beyond re-recording"
    if contrast.get("scale"):
        shown = "as clear a trend"
    elif PROCEDURES[contrast["procedure"]].directed:
        shown = "as wide a lead"
    if found.get("exact"):
        return (
            f"{start} {round(p * ways):,} of all {ways:,} ways, the true one among them, would "
            f"show {shown} (p {p_value(p)})."
        )
    return f"{start} {chance_of(p)} would show {shown} (p {p_value(p)})."


def _how_sure(
    plan: Mapping[str, Any], entry: Mapping[str, Any], verdict: Mapping[str, Any]
) -> list[str]:
    code, p = entry["verdict"], entry["numbers"].get("p_heard_holm")
    if code in CLAIMED and p is not None:
        questions = sum(c["role"] == "question" for c in plan["contrasts"])
        over = f", allowing for {questions} questions" if questions > 1 else ""
        return [
            f"p {p_value(p)}{over}; the plan asked for {plan['alpha']:g} or less. This is not the "
            "chance that the verdict is wrong."
        ]
    if code == "not_heard":
        return [
            *_checks(verdict),
            f"“Not heard” may be said only if at most {percent(plan['limit'])} hear it every "
            "time. The plan fixed that limit before the first vote.",
        ]
    if code in ("rerecording_too", "recordings_differ"):
        return [
            "That these recordings were told apart passes the plan's rule. That the change is the "
            "reason does not."
        ]
    if code == "not_enough":
        return ["Not sure enough for the rule that was fixed before the first vote."]
    return ["It passes the rule that was fixed before the first vote."]


def _checks(verdict: Mapping[str, Any]) -> list[str]:
    return [
        f"The panel was able to hear a difference: {count(e['correct'])} of {count(e['trials'])} "
        "planted ones, put in to check that, were answered right. That does not show that it would "
        "hear a smaller one."
        for e in verdict["contrasts"]
        if e["role"] == "planted_check" and e["verdict"] == "heard"
    ]


def _surer(plan: Mapping[str, Any], entry: Mapping[str, Any]) -> Sequence[str]:
    if entry["next"]:
        return tuple(entry["next"])
    out = ["The same again, with fresh recordings and other listeners."]
    excerpts = len(plan["excerpts"])
    if excerpts < FEW_EXCERPTS:
        out.append(f"More music: only {plural(excerpts, 'excerpt')} {_were(excerpts)} played.")
    return out


def _were(n: int) -> str:
    return "was" if n == 1 else "were"


def _not_each(contrast: Mapping[str, Any]) -> list[str]:
    """One answer over several groups is none for each; nothing where no factor is given."""
    if not contrast.get("given"):
        return []
    groups = listed([stratum["label"] for stratum in contrast["strata"]])
    return [f"That this holds for each group by itself: it is one answer over {groups} together."]


def _not_each_pair(contrast: Mapping[str, Any]) -> list[str]:
    """A limit over all distances of a dose is none for the widest."""
    if not contrast.get("scale") or len(contrast["conditions"]) < 3:
        return []
    labels = [f"“{c['label']}”" for c in ordered(contrast)]
    return [
        f"That this limit holds for {labels[-1]} against {labels[0]} alone: it is one for all "
        "pairs together, near ones included."
    ]


def _not_to_claim(contrast: Mapping[str, Any], entry: Mapping[str, Any]) -> list[str]:
    code, numbers = entry["verdict"], entry["numbers"]
    directed = PROCEDURES[contrast["procedure"]].directed
    preference = contrast["procedure"] == "preference"
    if code == "heard" and directed:
        return [BETTER, "Any number of people who hear it: votes were counted."]
    if code == "heard":
        return [
            "That everybody always hears it. How many hear it some of the time is not known.",
            BETTER,
        ]
    if code == "preferred":
        against = ""
        if entry["correct"] is not None and entry["trials"]:
            votes = entry["trials"] - _side(contrast, entry)[1]
            against = f": {count(votes)} of {count(entry['trials'])} votes went the other way"
        return [
            f"That everybody prefers it{against}.",
            "Any number of people who prefer it: votes were counted.",
        ]
    if code == "not_heard":
        return [
            "That nobody can hear it, or that nothing changed: up to "
            f"{percent_up(numbers.get('share_upper'))} of listeners like these may hear it every "
            "time, and more of them now and then.",
            *_not_each_pair(contrast),
        ]
    if code in ("rerecording_too", "recordings_differ"):
        return ["That the change is what was heard."]
    if code == "no_preference":
        return ["That nobody prefers either. That they sound the same."]
    if code == "divided":
        return ["That either is preferred by all."]
    if preference and numbers.get("barrier"):
        return ["That the change is what is preferred."]
    if preference:
        return ["Neither that one is preferred nor that none is."]
    return ["Neither that it is heard nor that it is not."]
