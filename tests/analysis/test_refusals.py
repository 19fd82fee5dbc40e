"""Why votes do not bear a model is a fact; a Python caller reads it in English, a report in its own
language."""

import numpy as np
import pytest
from made_up_language import STRANGE, strange

from panel.analysis import mixed
from panel.analysis.dose import curve
from panel.analysis.preference import worths
from panel.analysis.refusals import TEXTS, Refused, as_refused
from panel.analysis.wording import messages, models
from panel.errors import BadInput
from panel.prose import ENGLISH
from panel.study.verdict import Remark

ONES = np.ones((8, 1))
HALF = [1, 0, 1, 0, 1, 0, 1, 1]
PAIRS = {"listener": [0, 0, 1, 1, 2, 2, 3, 3]}


@pytest.mark.parametrize(
    ("y", "groups", "code", "told"),
    [
        ([1] * 8, PAIRS, "all_right", {"votes": 8}),
        ([0] * 8, PAIRS, "all_wrong", {"votes": 8}),
        (HALF, {"listener": [0] * 8}, "one_level", {"group": "listener"}),
        (HALF, {"excerpt": list(range(8))}, "one_vote_each", {"group": "excerpt"}),
    ],
)
def test_the_model_refuses_with_a_fact_and_english_for_a_caller(y, groups, code, told):
    with pytest.raises(Refused) as refused:
        mixed.fit(y, ONES, groups)
    assert refused.value.remark == Remark(code, told)
    assert models.refused(ENGLISH, refused.value.remark) == (
        refused.value.message,
        refused.value.hint,
    )
    (given,) = told.values()
    assert str(given) in refused.value.message
    assert models.refused(STRANGE, refused.value.remark)[0] == strange(refused.value.message)


def test_a_caller_who_misuses_the_model_is_refused_without_a_fact():
    with pytest.raises(BadInput) as refused:
        mixed.fit([1, 0], np.ones((3, 1)), {})
    assert not isinstance(refused.value, Refused)


def test_separated_conditions_are_a_fact():
    X = np.column_stack([np.ones(8), [1, 1, 1, 1, 0, 0, 0, 0]])
    with pytest.raises(Refused) as refused:
        mixed.fit([1, 1, 1, 1, 1, 0, 1, 0], X, {"listener": [0, 1, 0, 1, 0, 1, 0, 1]})
    assert refused.value.remark == Remark("separated")


def test_worths_that_are_infinite_are_a_fact_for_the_curve_over_a_dose():
    one, other = np.array([0, 0, 1, 2]), np.array([1, 2, 3, 3])
    outcome, listener = np.zeros(4, np.int64), np.array([0, 1, 0, 1])
    with pytest.raises(BadInput) as plain:
        worths.fit(one, other, outcome, 4, order_effect=True, cluster=listener)
    labels, doses = np.array([0, 0, 1, 1]), [0.0, 1.0]
    with pytest.raises(Refused) as refused:
        curve.directed(one, other, outcome, listener, labels, doses, confidence=0.95)
    assert refused.value.remark == Remark("no_worths")
    assert str(refused.value) == str(plain.value)


def test_what_is_refused_for_another_reason_stays_as_it_is():
    with pytest.raises(BadInput, match="never seen"):
        as_refused(BadInput("never seen"))


def test_every_refusal_and_note_has_words_in_any_language():
    put = {"group": "pair", "groups": "listener, pair", "units": 3, "border": 4, "votes": 5}
    for code in TEXTS:
        message, hint = models.refused(ENGLISH, Remark(code, put | {"takes": 6}))
        assert message.endswith(".")
        assert hint == "" or hint.endswith(".")
        assert "{" not in message + hint


def test_a_fit_says_what_is_remarkable_as_facts():
    y = [1, 0, 0, 1, 1, 0, 0, 1]
    found = mixed.fit(y, ONES, PAIRS)
    assert found.notes == (Remark("no_spread", {"group": "listener"}),)
    assert found.message == "The spread of listener is estimated as zero."
    remark = Remark("model", parts=found.notes)
    assert messages.of_size(ENGLISH, remark) == found.message
    assert messages.of_size(STRANGE, Remark("model")) == strange("The search converged.")


def test_a_refusal_stands_inside_the_sentence_about_a_size():
    why = Remark("mean_share", {"why": "refused"}, (Remark("one_level", {"group": "pair"}),))
    told = messages.of_size(ENGLISH, why)
    assert told.startswith(
        "The model cannot be fitted (There is only one pair, so a spread between them cannot be "
        "told), so d′ is that of the mean share"
    )
