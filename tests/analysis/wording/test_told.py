"""Every sentence of a verdict is made from its facts, in whatever language is given."""

import json
import re

import numpy as np
import pytest
from made_up_language import STRANGE
from vote_records import as_tables

from panel.analysis.verdict import conclude
from panel.analysis.wording.told import told
from panel.errors import BadInput
from panel.prose import ENGLISH
from panel.study.plan_reading import read_plan
from panel.study.shapes import written
from panel.study.verdict import read_verdict


@pytest.fixture(
    params=[
        ("abx", "fixed", 2.5), ("abx", "fixed", 0.0), ("preference", "fixed", 2.5),
        ("attribute", "anytime", 1.0),
    ],
    ids=lambda how: "-".join(map(str, how)),
)  # fmt: skip
def study(request, made):
    procedure, kind, effect = request.param
    asked = made.contrast("q1", procedure, (4, 4), votes=12)
    document = made.plan(asked, made.control_of(asked), made.check(), listeners=8, kind=kind)
    votes, rows = made.simulate(document, np.random.default_rng(3), effect=effect)
    plan = read_plan(document)
    return plan, conclude(plan, *as_tables(votes, rows))


def texts(value):
    """The sentences of what is told, without the ids they stand under."""
    if isinstance(value, dict):
        for each in value.values():
            yield from texts(each)
    elif isinstance(value, list):
        for each in value:
            yield from texts(each)
    elif value:
        yield value


def test_the_document_says_enough_for_every_sentence(study):
    plan, verdict = study
    read = read_verdict(json.loads(json.dumps(verdict.document())))
    assert read == verdict
    assert told(plan, read) == told(plan, verdict)


def test_the_document_holds_no_sentence(study):
    held = json.dumps(study[1].document(), ensure_ascii=False)
    for text in texts(written(told(*study))):
        assert text not in held


def test_every_sentence_is_put_into_the_language(study):
    plan, verdict = study
    names = {word for c in plan.contrasts for word in (c.name, c.attribute or "")}
    names |= {condition.label for c in plan.contrasts for condition in c.conditions}
    names |= {plan.carrier} | {take.specimen for take in plan.takes}
    names |= {row.listener for row in verdict.reliability} | set(plan.take_labels.values())
    names |= set(plan.excerpt_ids) | set(plan.factor_names.values()) | {plan.sha256}
    longest_first = sorted(names - {""}, key=len, reverse=True)
    said = list(texts(written(told(plan, verdict, STRANGE))))
    assert len(said) > 15
    for text in said:
        for name in longest_first:
            text = re.sub(re.escape(name), "", text, flags=re.IGNORECASE)
        left = re.sub(r"\bp [=<]", "", text)
        assert re.findall(r"[A-Za-z]+", left) == [], text


def test_english_is_what_is_told_without_a_language(study):
    assert told(*study) == told(*study, ENGLISH)


@pytest.mark.parametrize(
    ("change", "path"),
    [
        (lambda d: d["contrasts"][0].pop("trials"), "contrasts[0].trials"),
        (lambda d: d["contrasts"][0]["numbers"].update(chance="half"), "numbers.chance"),
        (lambda d: d["contrasts"][0].update(sentence="Heard."), "contrasts[0].sentence"),
        (lambda d: d["excluded"].update(listeners=[1]), "excluded.listeners[0]"),
    ],
)
def test_what_is_wrong_is_named_by_its_path(study, change, path):
    document = json.loads(json.dumps(study[1].document()))
    change(document)
    with pytest.raises(BadInput, match=re.escape(path)):
        read_verdict(document)
