"""What the study cannot say, in words, and the methods paragraph for a statistician."""

from collections.abc import Sequence

from panel.analysis.evidence import Evidence
from panel.analysis.judgement import Judgement
from panel.analysis.left_out import MOST_LISTENERS
from panel.analysis.phrases import listing
from panel.analysis.plan_reading import Plan
from panel.analysis.votes import ListenerRow


def limits(plan: Plan, judged: Sequence[Judgement], listeners: Sequence[ListenerRow]) -> list[str]:
    """Sentences on what the verdict does not cover."""
    used = [j.contrast for j in judged if j.contrast.role == "question"]
    out = [
        "Listeners used their own equipment, in their own rooms. The level they listened at, their "
        "headphones and any effect of their devices are not known.",
        "“Such listeners” means people like those who took part; who takes part was not drawn "
        "at random.",
        "A share who can hear counts as if so many always heard and the rest only guessed; of "
        "people who hear now and then there can be more.",
        "What was heard is recordings of the equipment, not the equipment in a room.",
    ]
    if len(plan.excerpts) < 6:
        count = (
            "One excerpt was" if len(plan.excerpts) == 1 else f"{len(plan.excerpts)} excerpts were"
        )
        out.append(f"{count} heard: what holds for them need not hold for all music.")
    if any(c.level == "matched" for c in used):
        out.append("Samples were matched in loudness, so a change of level alone is hidden.")
    if any(c.level == "as_recorded" for c in used):
        out.append("Samples were left at their recorded level, so level may be what was heard.")
    declared = sum(r.playback in ("headphones", "earphones") for r in listeners)
    passed = sum(r.headphone_check == "passed" for r in listeners)
    if listeners and all(
        r.playback == "unknown" and r.headphone_check == "not taken" for r in listeners
    ):
        out.append(
            "What listeners listened with is not recorded, and no headphone check is: they may "
            "have used anything."
        )
    elif listeners:
        out.append(
            f"{declared} of {len(listeners)} listeners declared headphones or earphones; {passed} "
            "passed the headphone check, which is evidence and no proof."
        )
    if any(len(c.takes) < 3 for q in used for c in q.conditions):
        out.append("Few takes of a condition say little about how far takes of it vary.")
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


def _sizes(found: Evidence) -> str:
    return " + ".join(str(len(c.takes)) for c in found.contrast.conditions)


def methods(plan: Plan, judged: Sequence[Judgement], rule: str) -> str:
    """A paragraph ready to paste, with references; it describes only what was used."""
    questions = [j for j in judged if j.contrast.role == "question"]
    procedures = sorted({j.contrast.procedure for j in questions})
    names = {
        "abx": "ABX",
        "triangle": "triangle (ISO 4120)",
        "attribute": "two-alternative forced choice on a named attribute (ISO 5495)",
        "preference": "paired preference",
    }
    out = [
        f"Plan locked before the first vote (SHA-256 of its canonical JSON, RFC 8785: "
        f"{plan.sha256}); {'anytime-valid' if plan.anytime else 'fixed, sealed'} stopping rule, "
        f"α = {plan.alpha:g}, limit on the share who hear {plan.limit:g}, confidence "
        f"{plan.confidence:g}. {rule}"
    ]
    if procedures:
        sizes = listing([f"{j.contrast.name}: {_sizes(j.evidence)}" for j in questions])
        out.append(
            f"Procedures: {listing([names[p] for p in procedures])}, over a round robin of takes "
            f"(takes by condition: {sizes}); keys drawn independently and uniformly."
        )
    if plan.anytime:
        out.append(
            "Chance was tested by a mixture martingale with a uniform prior above (two-sided: "
            "around) chance, over votes in the order in which they came to count (Ville 1939; "
            "Robbins 1970, Ann. Math. Statist. 41, 1397–1409; Howard, Ramdas, McAuliffe & Sekhon "
            "2021, Ann. Statist. 49, 1055–1080). Attribution was tested once, at the planned "
            "number of votes. The difference between question and retakes at any look: the same "
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
    if any(j.contrast.procedure == "preference" for j in questions):
        out.append(
            "“Divided”: dispersion of listeners' shares against votes dealt out at random "
            "(multivariate hypergeometric), and against relabelled takes; both must pass. “No "
            "preference”: the interval for the mean share within 1/2 ± half the limit. Worths: "
            "Bradley & Terry 1952, Biometrika 39, 324–345, with an effect of position."
        )
    if questions:
        out.append(
            "Sizes are d′ from a generalised linear mixed model with the procedure's psychometric "
            "curve as link (Laplace approximation; random: listener, excerpt, pair of takes), or, "
            "where votes with a right answer do not beat chance, of the mean share right; they "
            "decide nothing. Where the model has more than one listener in ten beyond d′ = 0, its "
            "centre is not told as the typical listener's. The decision was made again without "
            f"each listener (the {MOST_LISTENERS} who move it most, if there are more), excerpt "
            "and take in turn: that is descriptive."
        )
    return " ".join(out)
