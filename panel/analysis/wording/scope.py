"""What a claim is about: the words that stand first in its sentence."""

from panel.prose import Language, listed, quoted, spelled
from panel.study.plan import Contrast, Plan
from panel.study.sampling import Sampling
from panel.study.verdict import ContrastVerdict

CLAIMS = ("heard", "rerecording_too", "not_heard", "preferred", "divided", "no_preference")


def about(say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> str:
    """What the sentence of a question speaks of; "" where it claims nothing, or says so itself.

    “Not heard” speaks of what was played, never of the kind.
    """
    if contrast.role != "question" or entry.verdict not in CLAIMS:
        return ""
    sampling = plan.sampling[contrast.id]
    if sampling.scope == "recordings":
        return say("These recordings")
    if sampling.scope == "kind" and entry.verdict != "not_heard":
        named = _kinds(say, contrast, sampling)
    else:
        named = _specimens(say, plan, contrast, sampling)
    carrier = plan.carrier.strip()
    return say("{named}, in {carrier}", named=named, carrier=carrier) if carrier else named


def _kinds(say: Language, contrast: Contrast, sampling: Sampling) -> str:
    return say(
        "{conditions}, {count} specimens of each",
        conditions=_against(say, [quoted([c.label], say) for c in contrast.conditions]),
        count=spelled(sampling.specimens[0]),
    )


def _specimens(say: Language, plan: Plan, contrast: Contrast, sampling: Sampling) -> str:
    if set(sampling.specimens) == {1}:
        of = {take.id: take.specimen for take in plan.takes}
        names = [
            say("“{specimen}” ({condition})", specimen=of[c.takes[0]].strip(), condition=c.label)
            for c in contrast.conditions
        ]
        return say("These specimens, {names}", names=_against(say, names))
    counts = [
        say("{count} of “{condition}”", count=spelled(n), condition=c.label)
        for n, c in zip(sampling.specimens, contrast.conditions, strict=True)
    ]
    return say("These specimens, {names}", names=listed(counts, say))


def _against(say: Language, names: list[str]) -> str:
    if len(names) == 2:
        return say("{first} against {second}", first=names[0], second=names[1])
    return listed(names, say)
