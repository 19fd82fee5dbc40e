"""A verdict as one mapping, its sentences laid beside its facts, as tests look at them."""

import json

from panel.analysis import pool as pools
from panel.analysis import verdict as verdicts
from panel.analysis.wording import pooled as pooled_wording
from panel.analysis.wording.messages import of_size
from panel.analysis.wording.told import told
from panel.prose import ENGLISH
from panel.study.plan_reading import read_plan

ORDER = (
    "format", "plan_sha256", "votes", "listeners", "excluded", "headline", "contrasts",
    "reliability", "left_out", "limits", "methods", "listeners_across", "withdrawn",
)  # fmt: skip


def laid_out(plan, verdict):
    """Facts, and where a code stands in them, the sentence that is made from it."""
    said = told(plan, verdict)
    out = json.loads(json.dumps(verdict.document()))
    out["headline"], out["methods"], out["limits"] = said.headline, said.methods, list(said.limits)
    out["excluded"]["rule"] = said.rule
    if verdict.withdrawn is not None:
        out["withdrawn"]["sentence"] = said.withdrawn
    for entry, text in zip(out.get("listeners_across", ()), said.across, strict=True):
        entry["message"] = text
    for entry in out["left_out"]["contrasts"]:
        entry["sentences"] = list(said.contrasts[entry["id"]].without)
    for entry in out["contrasts"]:
        own, numbers = said.contrasts[entry["id"]], entry["numbers"]
        entry["sentence"] = own.sentence
        entry["reasons"], entry["next"] = list(own.reasons), list(own.next)
        if "model_message" in numbers:
            numbers["model_message"] = own.of_size
        if numbers.get("dose_response"):
            numbers["dose_response"]["reason"] = own.no_curve
    return {key: out[key] for key in ORDER if key in out}


def conclude(document, votes, listeners, **how):
    """The verdict of a plan's document, laid out."""
    plan = read_plan(document)
    return laid_out(plan, verdicts.conclude(plan, votes, listeners, **how))


def concluded(document, votes, listeners=None):
    """The verdict of a table with the document of its plan, laid out."""
    plan = read_plan(document)
    return laid_out(plan, pools.concluded(plan, votes, listeners))


def pool(votes):
    """What a table says without its plan, laid out."""
    found = pools.pool(votes)
    said = pooled_wording.told(found)
    out = json.loads(json.dumps(found.document()))
    out["limits"] = list(said.limits)
    for entry, own in zip(out["contrasts"], found.contrasts, strict=True):
        texts = said.contrasts[entry["id"]]
        entry["sentence"], entry["notes"] = texts.sentence, list(texts.notes)
        entry["counted"] = texts.counted
        entry["numbers"]["model_message"] = of_size(ENGLISH, own.numbers.model_message)
    return out
