"""The verdict in plain English, number first: sentence, reasons, and what would change it."""

import math
from collections.abc import Sequence

from panel.analysis import exact, shares
from panel.analysis.judgement import Judgement
from panel.analysis.plan_reading import Contrast, Plan

CODE_WORDS = {
    "heard": "heard",
    "not_heard": "not heard",
    "rerecording_too": "heard, but not shown to be more than re-recording",
    "recordings_differ": "these recordings differ",
    "not_enough": "not enough yet",
    "preferred": "preferred",
    "no_preference": "no preference",
    "divided": "listeners are divided",
}


def percent(share: float, *, up: bool = False, down: bool = False) -> str:
    """A share in whole percent; `up` and `down` round a bound to its safe side."""
    value = 100 * share
    if up:
        whole = math.ceil(value - 1e-9)
    elif down:
        whole = math.floor(value + 1e-9)
    else:
        whole = round(value)
    return f"{whole} %"


def p_words(p: float) -> str:
    if p < 0.001:
        return "p < 0.001"
    return f"p = {p:.3f}" if p < 0.1 else f"p = {p:.2f}"


def listing(items: Sequence[str]) -> str:
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def _plural(n: int, one: str, many: str | None = None) -> str:
    return f"{n:,} {one if n == 1 else many or one + 's'}".replace(",", "\u202f")


def _of(count: int | None, n: int) -> str:
    return f"in {count} of {n} blind comparisons"


def _low_high(contrast: Contrast) -> tuple[str, str]:
    """Names of the two sides that a directed vote can point to."""
    if contrast.is_dose:
        return "less", "more"
    return contrast.conditions[0].label, contrast.conditions[-1].label


def _factor(plan: Plan, contrast: Contrast) -> str:
    name = plan.factors.get(contrast.factor or "", contrast.factor or "the dose")
    unit = plan.units.get(contrast.factor or "", "")
    return f"{name} ({unit})" if unit else name


def _told_apart(judged: Judgement) -> str:
    asked = judged.evidence.asked
    return f"told apart {_of(asked.count, asked.n)}, where guessing gives about {_guess(judged)}"


def _guess(judged: Judgement) -> str:
    return f"{judged.evidence.asked.n * judged.contrast.chance:.0f}"


def _within(judged: Judgement) -> str:
    """How the retake pairs did, as a clause; "" if there are none."""
    within = judged.evidence.within
    if within is None or not within.n or within.count is None:
        return ""
    return f"two takes of the same condition, in {within.count} of {within.n}"


def _direction(plan: Plan, judged: Judgement) -> str:
    """What the directed votes across conditions said, as a clause."""
    contrast, asked = judged.contrast, judged.evidence.asked
    if asked.count is None:
        return f"{asked.n} blind comparisons across {len(contrast.conditions)} conditions"
    more = 2 * asked.count >= asked.n
    count = asked.count if more else asked.n - asked.count
    low, high = _low_high(contrast)
    if contrast.is_dose:
        side = f"the take with {high if more else low} {_factor(plan, contrast)}"
    else:
        side = f"“{high if more else low}”"
    if contrast.procedure == "preference":
        return f"{side} was preferred {_of(count, asked.n)}"
    what = contrast.attribute or "of it"
    return f"{side} was said to have more {what} {_of(count, asked.n)}"


def _found(plan: Plan, judged: Judgement) -> str:
    return _direction(plan, judged) if judged.contrast.directed else _told_apart(judged)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _two_recordings(judged: Judgement) -> str:
    if judged.findings.barrier == "one_take":
        return " This is a statement about these recordings, one take of a condition."
    if judged.findings.barrier:
        return " This is a statement about these recordings."
    return ""


def sentence(plan: Plan, judged: Judgement) -> str:
    """The verdict of one contrast in one or two sentences."""
    role = judged.contrast.role
    if judged.evidence.asked.n == 0:
        return "Not enough yet. No votes count for this contrast."
    if role == "planted_check":
        return _check_sentence(judged)
    if role == "retake_control":
        return _control_sentence(plan, judged)
    if judged.contrast.procedure == "preference":
        return _preference_sentence(plan, judged)
    return _question_sentence(plan, judged)


def _check_sentence(judged: Judgement) -> str:
    asked = judged.evidence.asked
    right = f"{asked.count} of {asked.n} planted differences were answered right"
    if judged.code == "heard":
        return f"Heard. {right}: this panel, on its equipment, was able to hear a difference."
    return f"Not enough. {right}: it is not shown that this panel was able to hear a difference."


def _control_sentence(plan: Plan, judged: Judgement) -> str:
    asked = judged.evidence.asked
    if judged.contrast.directed:
        told = f"{asked.n} blind comparisons of two takes of the same condition"
        if judged.code == "heard":
            return f"Heard. In {told}, listeners agree on some takes more than coins would."
        return f"Not enough. In {told}, listeners agree on takes no more than coins would."
    told = f"Two takes of the same condition were {_told_apart(judged)}"
    if judged.code == "heard":
        return f"Heard. {told}: re-recording alone can be heard."
    if judged.code == "not_heard":
        most = percent(judged.evidence.share_upper or 0.0, up=True)
        return f"Not heard; at most {most} of such listeners can hear re-recording alone. {told}."
    return f"Not enough yet. {told}."


def _question_sentence(plan: Plan, judged: Judgement) -> str:
    contrast, found = judged.contrast, _found(plan, judged)
    if judged.code == "heard":
        trend = f", and more so with more {_factor(plan, contrast)}" if contrast.is_dose else ""
        if contrast.directed:
            return f"Heard. {_capital(found)}."
        retakes = _within(judged)
        return (
            f"Heard{trend}. Told apart {_of(judged.evidence.asked.count, judged.evidence.asked.n)}"
            f"{'; ' + retakes if retakes else ''}."
        )
    if judged.code == "not_heard":
        most = percent(judged.evidence.share_upper or 0.0, up=True)
        return (
            f"Not heard; at most {most} of such listeners can hear it. {_capital(found)}."
            f"{_two_recordings(judged)}"
        )
    if judged.code == "rerecording_too":
        retakes = _within(judged)
        return (
            f"Heard, but not shown to be more than re-recording. {_capital(found)}"
            f"{'; ' + retakes if retakes else ''}. Nothing is claimed about the change."
        )
    if judged.code == "recordings_differ":
        return f"These recordings differ. {_capital(found)}. {_barrier_sentence(plan, judged)}"
    if contrast.directed:
        return f"Not enough yet: no agreed direction. {_capital(found)}{_share_range(judged)}."
    return f"Not enough yet. {_capital(found)}."


def _share_range(judged: Judgement) -> str:
    if judged.evidence.interval is None or judged.evidence.asked.count is None:
        return ""
    low, high = judged.evidence.interval
    if 2 * judged.evidence.asked.count < judged.evidence.asked.n:
        low, high = 1 - high, 1 - low
    return (
        f"; over listeners the share lies between {percent(low, down=True)} and "
        f"{percent(high, up=True)}"
    )


def _preference_sentence(plan: Plan, judged: Judgement) -> str:
    found = _capital(_direction(plan, judged))
    if judged.code == "preferred":
        alone = "" if judged.audible_elsewhere else (
            " This is a preference without demonstrated audibility: no question of this study "
            "shows by itself that the conditions are told apart."
        )  # fmt: skip
        return f"Preferred. {found}.{alone}"
    if judged.code == "divided":
        return (
            f"Listeners are divided. {found}, and listeners differ from one another more than "
            "chance and the takes explain: some want the one, some the other."
        )
    if judged.code == "no_preference":
        return f"No preference. {found}{_share_range(judged)}.{_two_recordings(judged)}"
    if judged.findings.beats_chance and judged.findings.barrier:
        return (
            f"Not enough to claim a preference for the change. {found}: in these recordings one "
            f"side is preferred. {_barrier_sentence(plan, judged)}"
        )
    return f"Not enough yet. {found}{_share_range(judged)}."


def _barrier_sentence(plan: Plan, judged: Judgement) -> str:
    """Why nothing is claimed about the change."""
    contrast, barrier = judged.contrast, judged.findings.barrier
    if barrier == "one_take":
        short = [f"“{c.label}”" for c in contrast.conditions if len(c.takes) < 2]
        return (
            f"Nothing is claimed about what was changed: there is one take of {listing(short)}, "
            "and two recordings can differ by re-recording alone."
        )
    if barrier == "override":
        return (
            "This cannot be attributed to one change. The organiser's reason for asking all the "
            f"same: “{contrast.override_reason}”."
        )
    if barrier == "several_changes":
        names = listing([plan.factors.get(f, f) for f in contrast.differs])
        return f"This cannot be attributed to one change: {names} differ."
    if barrier == "unlogged":
        names = listing([plan.factors.get(f, f) for f in contrast.unlogged])
        return f"Nothing is claimed about what was changed: {names} was not logged for all takes."
    if barrier == "no_retake_votes":
        return (
            "Nothing is claimed about what was changed: no votes on two takes of the same "
            "condition are there to compare with."
        )
    if barrier == "too_few_takes":
        return (
            "Nothing is claimed about what was changed: with these takes the least p that "
            f"relabelling them can give is {judged.least_p:.3g}, above {plan.alpha:g}."
        )
    if barrier == "too_many_questions":
        return (
            "Nothing is claimed about what was changed: with these takes the least p that "
            f"relabelling them can give is {judged.least_p:.3g}, which does not pass "
            f"{plan.alpha:g} when shared by {len(plan.questions)} questions."
        )
    return ""


def reasons(plan: Plan, judged: Judgement) -> list[str]:
    """Why the verdict is what it is, sentence by sentence."""
    e, f, contrast = judged.evidence, judged.findings, judged.contrast
    out: list[str] = []
    if e.asked.n:
        how = "at any time (anytime-valid)" if plan.anytime else "at the planned end (exact)"
        beats = "beat" if judged.findings.beats_chance else "do not beat"
        holm = ""
        if judged.p_chance_holm is not None and len(plan.questions) > 1:
            holm = f", {p_words(judged.p_chance_holm)} over {len(plan.questions)} questions"
        out.append(f"The votes {beats} chance, tested {how}: {p_words(judged.p_chance)}{holm}.")
    if contrast.role == "question":
        out += _attribution_reasons(plan, judged)
    if contrast.role == "planted_check":
        if e.share_lower is not None:
            out.append(
                f"At least {percent(e.share_lower, down=True)} of such listeners hear it; the "
                f"plan's limit is {percent(plan.limit)}. All listeners count here, also those "
                "whom the plan excludes."
            )
        return out
    if not contrast.directed and e.share_upper is not None:
        side = "under" if f.bounded else "not under"
        out.append(
            f"At most {percent(e.share_upper, up=True)} of such listeners can hear it (bound "
            f"over {_plural(e.asked.listeners, 'listener')}), {side} the plan's limit of "
            f"{percent(plan.limit)}."
        )
        if not f.beats_chance and not f.check_heard:
            out.append("No planted check was heard, so “not heard” is not available.")
    if contrast.procedure == "preference" and contrast.role == "question":
        out += _preference_reasons(plan, judged)
    if e.cast < e.planned and contrast.role == "question" and e.asked.n:
        if plan.anytime:
            out.append(f"{e.cast} of {e.planned} planned votes are in.")
        else:
            out.append(
                f"The study was ended early, at {e.cast} of {e.planned} planned votes, while "
                "sealed: the decision to end could not depend on the outcome."
            )
    return out


def _attribution_reasons(plan: Plan, judged: Judgement) -> list[str]:
    e, f = judged.evidence, judged.findings
    if not e.asked.n:
        return []
    if f.barrier:
        return [_barrier_sentence(plan, judged)]
    if not f.ready:
        return [f"Whether the change is responsible is tested once, when {e.planned} votes are in."]
    if e.attribution is None or judged.p_claim_holm is None:
        return []
    kind = "all" if e.attribution.exact else "randomly drawn"
    verb = "is" if judged.p_claim is not None and e.attribution.p <= plan.alpha else "is not"
    out = [
        f"Relabelling the takes ({kind} of {e.attribution.labelings} ways): the excess over "
        f"re-recording {verb} established by itself, {p_words(e.attribution.p)}."
    ]
    if len(plan.questions) > 1:
        holds = "holds" if f.attributed else "does not hold"
        out.append(
            f"Both together, over {len(plan.questions)} questions, {p_words(judged.p_claim_holm)}: "
            f"the claim {holds}."
        )
    within = e.within
    if within is not None and within.n and within.count is not None:
        alone = "too" if within.p <= plan.alpha else "not beyond chance"
        out.append(
            f"Two takes of the same condition were told apart {alone}: {within.count} of "
            f"{within.n}, {p_words(within.p)}."
        )
    return out


def _preference_reasons(plan: Plan, judged: Judgement) -> list[str]:
    out = []
    d = judged.evidence.divided
    if d is not None and judged.divided_holm is not None:
        verb = "differ" if judged.findings.divided else "are not shown to differ"
        out.append(
            f"Listeners {verb} in what they prefer: {p_words(d.p_listeners)} against one common "
            f"coin, {p_words(d.labels.p)} against relabelled takes."
        )
    if judged.findings.level:
        low, high = 0.5 - plan.limit / 2, 0.5 + plan.limit / 2
        out.append(
            f"The mean share lies surely within {percent(low)} to {percent(high)}, the band that "
            f"the plan's limit of {percent(plan.limit)} makes."
        )
    return out


def _takes_needed(plan: Plan, questions: int) -> int:
    side = 2
    while questions > plan.alpha * math.comb(2 * side, side) / 2 * (1 + 1e-12):
        side += 1
    return side


def next_steps(plan: Plan, judged: Judgement) -> list[str]:
    """What would change the verdict, with rough numbers at what was seen so far."""
    contrast, f, e = judged.contrast, judged.findings, judged.evidence
    if contrast.role == "retake_control":
        return []
    if contrast.role == "planted_check":
        if judged.code == "heard":
            return []
        return ["Plant a larger difference, or put the check more often to each listener."]
    out: list[str] = []
    if judged.code in ("heard", "preferred", "no_preference", "not_heard"):
        if judged.code == "preferred" and not judged.audible_elsewhere:
            out.append("Ask by ABX or triangle on the same takes whether a difference is heard.")
        return out
    if judged.code == "divided":
        return ["Ask by ABX or triangle on the same takes whether a difference is heard."]
    if f.barrier in ("one_take", "too_few_takes", "too_many_questions"):
        need = _takes_needed(plan, len(plan.questions))
        out.append(f"Record {need} takes of each condition, in mixed order.")
        if f.barrier == "too_many_questions":
            out.append("Or name fewer questions in the plan.")
    elif f.barrier in ("override", "several_changes"):
        out.append("Record takes that differ in one thing only.")
    elif f.barrier == "unlogged":
        out.append("Log the missing factors for all takes, or record anew.")
    elif f.barrier == "no_retake_votes":
        out.append("Put pairs of takes of the same condition too.")
    if not f.ready:
        out.append(
            f"{_plural(e.planned - e.cast, 'more vote')} until the change itself can be judged."
        )
    if judged.code == "rerecording_too":
        out.append("More takes of each condition, rather than more votes, would tell them apart.")
        return out
    if judged.code == "not_enough" and not f.beats_chance:
        out += _more_votes(plan, judged)
    if judged.code == "not_enough" and contrast.directed and not f.beats_chance:
        out.append("If bare audibility matters, ask by ABX or triangle on the same takes.")
    return out


def _more_votes(plan: Plan, judged: Judgement) -> list[str]:
    e, contrast, f = judged.evidence, judged.contrast, judged.findings
    asked = e.asked
    if not asked.n or asked.count is None:
        return []
    each = asked.n / max(1, asked.listeners)
    level = plan.alpha / len(plan.questions)
    out = []
    seen = asked.count / asked.n
    if contrast.directed:
        seen = max(seen, 1 - seen)
    need = exact.least_n(
        contrast.chance, seen, level, 0.8, two_sided=contrast.directed, most=20_000
    )
    if need is not None and need > asked.n:
        people = math.ceil(need / each)
        out.append(
            f"To beat chance, if the share stays at {percent(seen)}: about {need} comparisons "
            f"across the conditions, that is {_plural(people, 'listener')} like these instead of "
            f"{asked.listeners} (four chances in five)."
        )
    if not contrast.directed and not f.bounded:
        people_needed = shares.listeners_for_limit(
            asked.scores, contrast.chance, plan.limit, plan.confidence, anytime=plan.anytime
        )
        if people_needed is not None and people_needed > asked.scores.size:
            out.append(
                f"To show that at most {percent(plan.limit)} can hear it, if further listeners "
                f"answer alike: about {_plural(people_needed, 'listener')}."
            )
    if not contrast.directed and not f.check_heard:
        out.append("A planted check that is heard, so that “not heard” can be said.")
    return out


def headline(plan: Plan, judged: Sequence[Judgement]) -> str:
    """The study in one line."""
    questions = [j for j in judged if j.contrast.role == "question"]
    if not questions:
        return "This study names no question; its controls are reported below."
    if len(questions) == 1:
        return sentence(plan, questions[0])
    groups: dict[str, list[str]] = {}
    for j in questions:
        groups.setdefault(CODE_WORDS[j.code], []).append(j.contrast.name)
    return " ".join(f"{_capital(words)}: {listing(names)}." for words, names in groups.items())
