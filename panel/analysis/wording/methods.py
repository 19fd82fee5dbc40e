"""What the study cannot say, in words, and the methods paragraph for a statistician."""

from collections.abc import Sequence

from panel.analysis.decision.evidence import Evidence
from panel.analysis.decision.judgement import Judgement
from panel.analysis.decision.left_out import MOST_LISTENERS
from panel.analysis.mixed.method import EVEN_NODES
from panel.analysis.preference.ranking import MOST_CONDITIONS
from panel.analysis.wording.phrases import given_words
from panel.procedures.catalogue import PROCEDURES
from panel.prose import listed
from panel.study.plan import Plan
from panel.study.votes import ListenerTable


def limits(plan: Plan, judged: Sequence[Judgement], listeners: ListenerTable) -> list[str]:
    """Sentences on what the verdict does not cover."""
    used = [j.contrast for j in judged if j.contrast.role == "question"]
    out = [
        "Listeners used their own equipment, in their own rooms. The level they listened at, their "
        "headphones and any effect of their devices are not known.",
        "“Such listeners” means people like those who took part; who takes part was not drawn "
        "at random.",
        "A share who hear counts as if so many always heard and the rest only guessed; of people "
        "who hear now and then there can be more, even all.",
        "What was heard is recordings of the equipment, not the equipment in a room.",
    ]
    if len(plan.excerpts) < 6:
        count = (
            "One excerpt was" if len(plan.excerpts) == 1 else f"{len(plan.excerpts)} excerpts were"
        )
        out.append(f"{count} planned: what holds for so few need not hold for all music.")
    if any(c.level == "matched" for c in used):
        out.append("Samples were matched in loudness, so a change of level alone is hidden.")
    if any(c.level == "as_recorded" for c in used):
        out.append("Samples were left at their recorded level, so level may be what was heard.")
    declared = sum(how in ("headphones", "earphones") for how in listeners.playback)
    passed = listeners.headphone_check.count("passed")
    unknown = {*listeners.playback} == {"unknown"} and {*listeners.headphone_check} == {"not taken"}
    if unknown:
        out.append(
            "What listeners listened with is not recorded, and no headphone check is: they may "
            "have used anything."
        )
    elif len(listeners):
        out.append(
            f"{declared} of {len(listeners)} listeners declared headphones or earphones; {passed} "
            "passed the headphone check, which is evidence and no proof."
        )
    if any(len(c.takes) < 3 for q in used for c in q.conditions):
        out.append("Few takes of a condition say little about how far takes of it vary.")
    if any(j.contrast.role == "planted_check" and j.code == "heard" for j in judged):
        out.append(
            "The planted check shows that listeners could hear and took care, not that they would "
            "hear a smaller difference than that one."
        )
    if not any(j.contrast.role == "planted_check" for j in judged):
        out.append(
            "No planted check was put, so the votes cannot show that anybody was able to hear a "
            "difference: “not heard” cannot be said."
        )
    if any(c.directed for c in used):
        out.append(
            "A question with a direction picks up the smallest difference in loudness left over; "
            "the measured remainder stands in the report."
        )
    return out


def _integration(judged: Sequence[Judgement]) -> str:
    """How the random effects were integrated out, for the curves that were used."""
    curves = [j.contrast.asked_by.curve for j in judged if j.contrast.role == "question"]
    even = {curve.even for curve in curves if curve is not None}
    laplace = "Laplace's approximation (Tierney & Kadane 1986, JASA 81, 82–86)"
    nested = (
        f"Gauss–Hermite quadrature with {EVEN_NODES} nodes over listeners (Pinheiro & Bates 1995, "
        f"J. Comput. Graph. Statist. 4, 12–35) inside {laplace} over the rest"
    )
    if even == {True, False}:
        return f"for curves even in d′ {nested}, else {laplace}"
    return nested if even == {True} else laplace


def _sizes(found: Evidence) -> str:
    return " + ".join(str(len(c.takes)) for c in found.contrast.conditions)


def _curves(plan: Plan, questions: Sequence[Judgement]) -> list[str]:
    """How a curve over a dose was drawn, where one is: see panel.analysis.dose.numbers."""
    asked = [j.contrast for j in questions if j.contrast.is_dose]
    if plan.anytime or not asked:
        return []
    out = ["Curves over a numeric factor decide nothing; their band is that of the slope."]
    if any(not c.directed for c in asked):
        out.append(
            "With a right answer: d′ of a pair of takes = slope times its distance on the declared "
            "scale plus a normal part of the takes (maximum likelihood over the procedure's "
            "curve); the slope's interval is the wider of the jackknife over takes (Efron & Stein "
            "1981, Ann. Statist. 9, 586–596) and the profile likelihood's (Venzon & Moolgavkar "
            "1988, Appl. Statist. 37, 87–94), for the panel that answered."
        )
    if any(c.directed for c in asked):
        out.append(
            "Directed: least squares of the takes' log worths (Bradley & Terry 1952, Biometrika "
            "39, 324–345) on the declared scale, with a part of takes and a part of listeners "
            "(clustered: Liang & Zeger 1986, Biometrika 73, 13–22)."
        )
    return out


def _orders(plan: Plan, questions: Sequence[Judgement]) -> list[str]:
    """How three or more conditions were put in order, where they were (preference.ranking)."""
    asked = [
        j.contrast
        for j in questions
        if j.contrast.directed and not j.contrast.is_dose
        and 2 < len(j.contrast.conditions) <= MOST_CONDITIONS
    ]  # fmt: skip
    if plan.anytime or not asked:
        return []
    ties = ", with ties after Davidson 1970, JASA 65, 317–328" if any(c.ties for c in asked) else ""
    return [
        "Three or more conditions were put in order by mean take scores; pairs of them were told "
        "apart by closed testing (Marcus, Peritz & Gabriel 1976, Biometrika 63, 655–660) with the "
        "permutation of labels in every set of conditions, at α shared among the questions, and "
        "only where the question is claimed and the interval of the difference leaves out zero. "
        f"Worths: Bradley & Terry 1952, Biometrika 39, 324–345{ties}. Intervals of differences "
        "hold together over all pairs (Bonferroni), with a part of takes and a part of listeners "
        "(clustered: Liang & Zeger 1986, Biometrika 73, 13–22; degrees of freedom: Satterthwaite "
        "1946, Biometrics Bulletin 2, 110–114)."
        + (
            " How far listeners differ in their likings: log worths with a normal liking of each "
            "listener for each condition, fitted by Laplace's approximation to the restricted "
            "likelihood (Patterson & Thompson 1971, Biometrika 58, 545–554), its interval from "
            "the likelihood ratio."
            if any(c.liking for c in asked)
            else ""
        )
    ]


def methods(plan: Plan, judged: Sequence[Judgement], rule: str) -> str:
    """A paragraph ready to paste, with references; it describes only what was used."""
    questions = [j for j in judged if j.contrast.role == "question"]
    asked = {j.contrast.procedure: j.contrast.asked_by for j in questions}
    procedures = [asked[code] for code in sorted(asked)]
    out = [
        f"Plan locked before the first vote (SHA-256 of its canonical JSON, RFC 8785: "
        f"{plan.sha256}); {'anytime-valid' if plan.anytime else 'fixed, sealed'} stopping rule, "
        f"α = {plan.alpha:g}, limit on the share who hear {plan.limit:g}, confidence "
        f"{plan.confidence:g}. {rule}"
    ]
    if procedures:
        sizes = listed([f"{j.contrast.name}: {_sizes(j.evidence)}" for j in questions])
        out.append(
            f"Procedures: {listed([kind.reported_as for kind in procedures])}, "
            f"over a round robin of takes (takes by condition: {sizes}); keys drawn independently "
            "and uniformly."
        )
    if plan.anytime:
        out.append(
            "Chance was tested by a mixture martingale with a uniform prior above (two-sided: "
            "around) chance, over votes in the order in which they came to count (Ville 1939; "
            "Robbins 1970, Ann. Math. Statist. 41, 1397–1409; Howard, Ramdas, McAuliffe & Sekhon "
            "2021, Ann. Statist. 49, 1055–1080). Attribution was tested once, at the planned "
            "number of votes. The confidence sequence inverts the two-sided martingale. The "
            "difference between question and retakes at any look: the same "
            "martingale against 1/2 over each listener's blocks of one vote across and one within, "
            "of which just one is right (double dichotomies, Wald 1947, Sequential Analysis); it "
            "holds for the recordings at hand and decides nothing."
        )
    else:
        out.append(
            "Chance was tested by the exact binomial, one-sided for forced choice with a right "
            "answer, two-sided (sign test) for directed votes."
        )
    out.append(
        "Attribution to the change: permutation of the condition labels over takes; statistic: "
        "share right across minus within conditions, one-sided, centred by excerpt (after Mantel "
        "1967, Cancer Research 27, 209–220), or the two-sided difference of mean take scores "
        "(share of wins) for directed votes, or the trend over a numeric factor on its declared "
        "scale. A question is claimed if the larger of its two p values passes Holm's adjustment "
        "over the questions (Holm 1979, Scand. J. Statist. 6, 65–70)."
    )
    for j in questions:
        if j.contrast.given:
            others = given_words(plan, j.contrast)
            out.append(
                f"“{j.contrast.name}” was asked given {others}: the round robin ran within each of "
                f"the {len(j.contrast.strata)} strata of takes alike in {others}, takes of "
                "different strata were never put side by side, and labels were permuted within "
                "strata (restricted permutation, Edgington & Onghena 2007, Randomization Tests); "
                "shares are centred by stratum and excerpt, take scores by stratum. The question "
                "is answered over all strata together; counts by stratum are given and not tested."
            )
    if plan.anytime:
        out.append(
            "The share who hear is bounded from each finished listener's share right by a mixture "
            "of constant-bet capital processes (Waudby-Smith & Ramdas 2024, J. R. Stat. Soc. B "
            "86, 1–27)."
        )
    else:
        out.append(
            "The share who hear is bounded from each listener's share right by Gaffke's bound for "
            "the mean of independent bounded scores (Gaffke 2005, Math. Methods Statist. 14, "
            "451–467; Learned-Miller & Thomas 2020, arXiv 1905.06208), which with one vote a "
            "listener is the Clopper–Pearson limit; its cover rests on simulation."
        )
    own = [PROCEDURES[code].method for code in reversed([*PROCEDURES]) if code in asked]
    out += [method for method in own if method]
    if any(j.contrast.ties for j in questions):
        out.append(
            "Where “no preference” was allowed, votes for neither are left out of the sign test, "
            "the size and the test for a divided panel, and count half in take scores and in the "
            "mean share; worths with ties: Davidson 1970, JASA 65, 317–328."
        )
    modelled = [kind for kind in procedures if kind.curve is not None]
    if modelled:
        out.append(
            "Sizes are d′ from a generalised linear mixed model with the procedure's psychometric "
            f"curve as link ({listed(sorted({kind.curve_source for kind in modelled}))}; random: "
            f"listener, excerpt, pair of takes, taken as normal; {_integration(judged)}), with "
            "profile-likelihood intervals (Venzon & Moolgavkar 1988, Appl. Statist. 37, 87–94), "
            "widened, by Student's t over takes, for takes that stand in several pairs; or, where "
            "votes with a right answer do not beat chance, or votes for a side rest on one pair of "
            "takes, of the mean share; they decide nothing. Where the model has more than one "
            "listener in ten beyond d′ = 0, its centre is not told as the "
            "typical listener's. The end of its interval towards 0 is drawn in to hold for the "
            "median of log-normal sensitivities of the same mean and SD."
        )
    out += _curves(plan, questions)
    out += _orders(plan, questions)
    if questions:
        out.append(
            "The decision was made again without each listener (the "
            f"{MOST_LISTENERS} who move it most, if there are more), excerpt and take in turn: "
            "that is descriptive."
        )
    return " ".join(out)
