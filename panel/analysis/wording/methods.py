"""The methods paragraph for a statistician: what was used, with its sources."""

from collections.abc import Sequence

from panel.analysis.decision.left_out import MOST_LISTENERS
from panel.analysis.mixed.method import EVEN_NODES
from panel.analysis.preference.ranking import MOST_CONDITIONS
from panel.analysis.wording.exclusion import rule_in_words
from panel.analysis.wording.phrases import factor_names
from panel.procedures.base import Procedure
from panel.procedures.catalogue import PROCEDURES
from panel.prose import Language, listed
from panel.study.plan import Contrast, Plan

LOCKED = (
    "Plan locked before the first vote (SHA-256 of its canonical JSON, RFC 8785: {sha256}); "
    "{stop} stopping rule, α = {alpha}, limit on the share who hear {limit}, confidence "
    "{confidence}. {rule}"
)
ASKED = (
    "Procedures: {procedures}, over a round robin of takes (takes by condition: {sizes}); keys "
    "drawn independently and uniformly."
)
CHANCE_ANYTIME = (
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
CHANCE_FIXED = (
    "Chance was tested by the exact binomial, one-sided for forced choice with a right "
    "answer, two-sided (sign test) for directed votes."
)
ATTRIBUTION = (
    "Attribution to the change: permutation of the condition labels over takes; statistic: "
    "share right across minus within conditions, one-sided, centred by excerpt (after Mantel "
    "1967, Cancer Research 27, 209–220), or the two-sided difference of mean take scores "
    "(share of wins) for directed votes, or the trend over a numeric factor on its declared "
    "scale. Labels belong to specimens where the claim is about a kind, else to takes, and are "
    "permuted within sessions; across kinds the share right is held against the larger of the "
    "kinds' own shares. For directed votes p is the largest of three: labels permuted, signs of "
    "listeners' leanings flipped, and min F′ over both (Clark 1973, J. Verb. Learn. Verb. Behav. "
    "12, 335–359). A question is claimed if the larger of its two p values passes Holm's "
    "adjustment over the questions (Holm 1979, Scand. J. Statist. 6, 65–70)."
)
GIVEN = (
    "“{name}” was asked given {others}: the round robin ran within each of "
    "the {strata} strata of takes alike in {others}, takes of "
    "different strata were never put side by side, and labels were permuted within "
    "strata (restricted permutation, Edgington & Onghena 2007, Randomization Tests); "
    "shares are centred by stratum and excerpt, take scores by stratum. The question "
    "is answered over all strata together; counts by stratum are given and not tested."
)
SHARE_ANYTIME = (
    "The share who hear is bounded from each finished listener's share right by a mixture "
    "of constant-bet capital processes (Waudby-Smith & Ramdas 2024, J. R. Stat. Soc. B "
    "86, 1–27)."
)
SHARE_FIXED = (
    "The share who hear is bounded from each listener's share right by Gaffke's bound for "
    "the mean of independent bounded scores (Gaffke 2005, Math. Methods Statist. 14, "
    "451–467; Learned-Miller & Thomas 2020, arXiv 1905.06208), which with one vote a "
    "listener is the Clopper–Pearson limit; its cover rests on simulation."
)
TIES = (
    "Where “no preference” was allowed, votes for neither are left out of the sign test, "
    "the size and the test for a divided panel, and count half in take scores and in the "
    "mean share; worths with ties: Davidson 1970, JASA 65, 317–328."
)
SIZES = (
    "Sizes are d′ from a generalised linear mixed model with the procedure's psychometric "
    "curve as link ({sources}; random: "
    "listener, excerpt, pair of takes, taken as normal; {integration}), with "
    "profile-likelihood intervals (Venzon & Moolgavkar 1988, Appl. Statist. 37, 87–94), "
    "widened, by Student's t over takes, for takes that stand in several pairs; or, where "
    "votes with a right answer do not beat chance, or votes for a side rest on one pair of "
    "takes, of the mean share; they decide nothing. Where the model has more than one "
    "listener in ten beyond d′ = 0, its centre is not told as the "
    "typical listener's. The end of its interval towards 0 is drawn in to hold for the "
    "median of log-normal sensitivities of the same mean and SD."
)
LAPLACE = "Laplace's approximation (Tierney & Kadane 1986, JASA 81, 82–86)"
NESTED = (
    "Gauss–Hermite quadrature with {nodes} nodes over listeners (Pinheiro & Bates 1995, "
    "J. Comput. Graph. Statist. 4, 12–35) inside {laplace} over the rest"
)
CURVES = "Curves over a numeric factor decide nothing; their band is that of the slope."
CURVES_UNDIRECTED = (
    "With a right answer: d′ of a pair of takes = slope times its distance on the declared "
    "scale plus a normal part of the takes (maximum likelihood over the procedure's "
    "curve); the slope's interval is the wider of the jackknife over takes (Efron & Stein "
    "1981, Ann. Statist. 9, 586–596) and the profile likelihood's (Venzon & Moolgavkar "
    "1988, Appl. Statist. 37, 87–94), for the panel that answered."
)
CURVES_DIRECTED = (
    "Directed: least squares of the takes' log worths (Bradley & Terry 1952, Biometrika "
    "39, 324–345) on the declared scale, with a part of takes and a part of listeners "
    "(clustered: Liang & Zeger 1986, Biometrika 73, 13–22)."
)
ORDER = (
    "Three or more conditions were put in order by mean take scores; pairs of them were told "
    "apart by closed testing (Marcus, Peritz & Gabriel 1976, Biometrika 63, 655–660) with the "
    "permutation of labels in every set of conditions, at α shared among the questions, and "
    "only where the question is claimed and the interval of the difference leaves out zero. "
    "Worths: Bradley & Terry 1952, Biometrika 39, 324–345{ties}. Intervals of differences "
    "hold together over all pairs (Bonferroni), with a part of takes and a part of listeners "
    "(clustered: Liang & Zeger 1986, Biometrika 73, 13–22; degrees of freedom: Satterthwaite "
    "1946, Biometrics Bulletin 2, 110–114)."
)
ORDER_TIES = ", with ties after Davidson 1970, JASA 65, 317–328"
LEFT_OUT = (
    "The decision was made again without each listener (the {most} who move it most, if there are "
    "more), excerpt and take in turn: that is descriptive."
)


def methods(say: Language, plan: Plan) -> str:
    """A paragraph ready to paste, with references; it describes only what was used."""
    questions = plan.questions
    procedures = [PROCEDURES[code] for code in sorted({q.procedure for q in questions})]
    out = [
        say(
            LOCKED,
            sha256=plan.sha256,
            stop=say("anytime-valid") if plan.anytime else say("fixed, sealed"),
            alpha=f"{plan.alpha:g}",
            limit=f"{plan.limit:g}",
            confidence=f"{plan.confidence:g}",
            rule=rule_in_words(say, plan),
        )
    ]
    if procedures:
        sizes = (f"{q.name}: {' + '.join(str(len(c.takes)) for c in q.conditions)}"
                 for q in questions)  # fmt: skip
        names = (say(procedure.reported_as) for procedure in procedures)
        out.append(say(ASKED, procedures=listed(names, say), sizes=listed(sizes, say)))
    out.append(say(CHANCE_ANYTIME if plan.anytime else CHANCE_FIXED))
    out.append(say(ATTRIBUTION))
    out += [_given(say, plan, q) for q in questions if q.given]
    out.append(say(SHARE_ANYTIME if plan.anytime else SHARE_FIXED))
    out += [say(procedure.method) for procedure in procedures if procedure.method]
    if any(q.ties for q in questions):
        out.append(say(TIES))
    out += _sizes(say, procedures)
    if not plan.anytime:
        out += _curves(say, [q for q in questions if q.is_dose])
        out += _orders(say, [q for q in questions if _in_order(q)])
    if questions:
        out.append(say(LEFT_OUT, most=MOST_LISTENERS))
    return " ".join(out)


def _given(say: Language, plan: Plan, contrast: Contrast) -> str:
    return say(
        GIVEN,
        name=contrast.name,
        others=factor_names(say, plan, contrast.given),
        strata=len(contrast.strata),
    )


def _sizes(say: Language, procedures: Sequence[Procedure]) -> list[str]:
    """How sizes were fitted, for the procedures whose curve takes a d′ alone."""
    modelled = [procedure for procedure in procedures if procedure.curve is not None]
    if not modelled:
        return []
    sources = sorted({say(procedure.curve_source) for procedure in modelled})
    return [say(SIZES, sources=listed(sources, say), integration=_integration(say, modelled))]


def _integration(say: Language, modelled: Sequence[Procedure]) -> str:
    """How the random effects were integrated out, for the curves that were used."""
    even = {procedure.curve.even for procedure in modelled if procedure.curve is not None}
    laplace = say(LAPLACE)
    nested = say(NESTED, nodes=EVEN_NODES, laplace=laplace)
    if even == {True, False}:
        return say("for curves even in d′ {nested}, else {laplace}", nested=nested, laplace=laplace)
    return nested if even == {True} else laplace


def _curves(say: Language, doses: Sequence[Contrast]) -> list[str]:
    """How a curve over a dose was drawn, where one is: see panel.analysis.dose.numbers."""
    if not doses:
        return []
    out = [say(CURVES)]
    if any(not c.directed for c in doses):
        out.append(say(CURVES_UNDIRECTED))
    if any(c.directed for c in doses):
        out.append(say(CURVES_DIRECTED))
    return out


def _in_order(contrast: Contrast) -> bool:
    several = 2 < len(contrast.conditions) <= MOST_CONDITIONS
    return contrast.directed and not contrast.is_dose and several


def _orders(say: Language, asked: Sequence[Contrast]) -> list[str]:
    """How three or more conditions were put in order, where they were (preference.ranking)."""
    if not asked:
        return []
    out = [say(ORDER, ties=say(ORDER_TIES) if any(c.ties for c in asked) else "")]
    own = {c.asked_by.method_of_order for c in asked} - {""}
    return [*out, *(say(text) for text in sorted(own))]
