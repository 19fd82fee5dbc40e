"""Why the verdict is what it is, sentence by sentence."""

from panel.analysis.counts import exact
from panel.analysis.decision.by_stratum import by_stratum
from panel.analysis.decision.evidence import Evidence
from panel.analysis.decision.judgement import Judgement
from panel.analysis.wording.phrases import barrier_sentence, factor_words, given_words, percent
from panel.prose import listed, p_equals, plural
from panel.study.plan import Plan


def swapped_words(found: Evidence) -> str:
    """Why votes far below chance give no share."""
    p = exact.p_less(found.asked.count or 0, found.asked.n, found.contrast.chance)
    return (
        f"Fewer answers are right than guessing gives ({p_equals(p)}): answers may have been "
        "swapped, or the question misread. So nothing is said about how many can hear it."
    )


def reasons(plan: Plan, judged: Judgement, *, whole: bool = True) -> list[str]:
    """Why the verdict is what it is, sentence by sentence; `whole` as in verdict.conclude."""
    e, f, contrast = judged.evidence, judged.findings, judged.contrast
    out: list[str] = []
    if e.asked.n:
        how = "at any time (anytime-valid)" if plan.anytime else "at the planned end (exact)"
        beats = "beat" if judged.findings.beats_chance else "do not beat"
        holm = ""
        if judged.p_chance_holm is not None and len(plan.questions) > 1:
            holm = f", {p_equals(judged.p_chance_holm)} over {len(plan.questions)} questions"
        votes = "The votes that chose" if contrast.ties else "The votes"
        out.append(f"{votes} {beats} chance, tested {how}: {p_equals(judged.p_chance)}{holm}.")
    if e.swapped:
        out.append(swapped_words(e))
    if contrast.role == "question":
        out += _attribution_reasons(plan, judged)
        out += _stratum_reasons(judged)
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
            f"At most {percent(e.share_upper, up=True)} of such listeners hear it every time "
            f"(bound over {plural(e.asked.listeners, 'listener')}), {side} the plan's limit of "
            f"{percent(plan.limit)}."
        )
        if not f.beats_chance and not f.check_heard:
            out.append("No planted check was heard, so “not heard” is not available.")
    if contrast.procedure == "reminder" and not f.beats_chance and e.asked.n:
        out.append(
            "Takes scatter, and only what outdoes that can be matched to a reminder, so “not "
            "heard” is not available from it."
        )
    if e.rates is not None and not f.beats_chance and e.asked.n:
        out.append(
            "Whoever hears a difference may still call the two the same, so “not heard” is not "
            "available from same–different."
        )
    if contrast.procedure == "preference" and contrast.role == "question":
        out += _preference_reasons(plan, judged)
    if e.cast < e.planned and contrast.role == "question" and e.asked.n:
        if plan.anytime:
            out.append(f"{e.cast} of {e.planned} planned votes are in.")
        elif not whole:
            out.append(
                f"{e.cast} of {e.planned} planned votes are in this table. Whether the others were "
                "left out after an outcome was seen cannot be told from it."
            )
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
        return [barrier_sentence(plan, judged)]
    if not f.ready:
        return [f"Whether the change is responsible is tested once, when {e.planned} votes are in."]
    if e.attribution is None or judged.p_claim_holm is None:
        return []
    if judged.contrast.procedure == "reminder":
        verb = "is" if e.attribution.p <= plan.alpha else "is not"
        return [
            "Takes went by condition here, so they are taken as draws of their conditions: with "
            f"each take left out in turn, a share right above one half {verb} established over "
            f"takes, {p_equals(e.attribution.p)}. Unlike relabelling in a round robin this is not "
            "exact."
        ]
    kind = "all of" if e.attribution.exact else "a random draw from the"
    verb = "is" if e.attribution.p <= plan.alpha else "is not"
    if judged.contrast.is_dose:
        what = f"a trend with {factor_words(plan, judged.contrast)}"
    elif judged.contrast.directed:
        what = "a lead of one condition beyond the spread of its takes"
    else:
        what = "an excess over re-recording"
        if e.rates is not None:
            what = "“different” said more often across conditions than of retakes"
    among = ""
    if judged.contrast.given:
        among = f" among those alike in {given_words(plan, judged.contrast)}"
    out = [
        f"Relabelling the takes{among} ({kind} {e.attribution.labelings:,} ways): "
        f"{what} {verb} established by itself, {p_equals(e.attribution.p)}."
    ]
    if len(plan.questions) > 1:
        holds = "holds" if f.attributed else "does not hold"
        out.append(
            f"Both together, over {len(plan.questions)} questions, "
            f"{p_equals(judged.p_claim_holm)}: the claim {holds}."
        )
    within = e.within
    if within is not None and within.n and within.count is not None:
        beyond = "more often than" if within.p <= plan.alpha else "no more often than"
        done = "called rightly" if e.rates is not None else "told apart"
        out.append(
            f"Two takes of the same condition were {done} in {within.count} of {within.n}, "
            f"{beyond} guessing explains, {p_equals(within.p)}."
        )
    return out


def _stratum_reasons(judged: Judgement) -> list[str]:
    """The counts that one answer over several strata is made of."""
    contrast = judged.contrast
    found = [s for s in by_stratum(judged.evidence) if s.n]
    if not found:
        return []
    if contrast.directed:
        what = "preferred" if contrast.procedure == "preference" else "said to have more of it"
        what = f"“{contrast.conditions[-1].label}” was {what}"
    else:
        what = "called rightly" if judged.evidence.rates is not None else "told apart"
        what = f"the conditions were {what}"
    counts = listed([f"in {s.count} of {s.n} with {s.label}" for s in found])
    return [f"By group, {what} {counts}. These are counts only: no group is tested by itself."]


def _preference_reasons(plan: Plan, judged: Judgement) -> list[str]:
    out = []
    d = judged.evidence.divided
    if d is not None and judged.divided_holm is not None:
        verb = "differ" if judged.findings.divided else "are not shown to differ"
        out.append(
            f"Listeners {verb} in how they lean: {p_equals(d.p_listeners)} against one common "
            f"coin, {p_equals(d.labels.p)} against relabelled takes."
        )
    if judged.findings.level:
        low, high = 0.5 - plan.limit / 2, 0.5 + plan.limit / 2
        out.append(
            f"The mean share lies surely within {percent(low)} to {percent(high)}, the band that "
            f"the plan's limit of {percent(plan.limit)} makes."
        )
    return out
