"""Whether the listeners who hear one question well are those who hear the others well.

Votes on all questions that share a curve are fitted together: fixed, the mean d′ of each question;
random, the listener, and the listener within each question, beside excerpts and pairs of takes.
The first spread is what listeners carry from question to question, the second what is new in each.
Whether there is a second at all is told by the likelihood ratio, half of whose distribution is a
lump at zero, as the spread cannot be negative (Self & Liang 1987, J. Am. Stat. Assoc. 82).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from panel.analysis.decision.evidence import Evidence
from panel.analysis.mixed import model
from panel.analysis.sizes import Size
from panel.errors import BadInput

LEAST_SHARED = 10  # listeners with votes on all of the questions
_ALL = "listener by question"


@dataclass(frozen=True)
class Across:
    """Spreads over the `questions` (ids) that share a curve, in d′; None where not told.

    `p`: of no spread from question to question. `message`: what may be said, in a sentence; the
    spreads are not in it, as a few dozen listeners tell them roughly.
    """

    questions: tuple[str, ...]
    listener_sd: float | None
    by_question_sd: float | None
    p: float | None
    message: str


def of_questions(
    found: Mapping[str, Evidence], sized: Mapping[str, Size], alpha: float
) -> list[Across]:
    """One entry for each curve that two or more questions share; never raises.

    A question counts if a model could be fitted to it by itself (see `sizes`): where nothing is
    heard the votes know no spread.
    """
    by_curve: dict[str, list[str]] = {}
    for id_, size in sized.items():
        curve = found[id_].contrast.asked_by.curve
        if curve is not None and size.listener_sd is not None and size.dprime is not None:
            by_curve.setdefault(curve.name, []).append(id_)
    return [
        _of_curve(link, ids, found, sized, alpha)
        for link, ids in sorted(by_curve.items())
        if len(ids) > 1
    ]


def _of_curve(
    link: str,
    ids: Sequence[str],
    found: Mapping[str, Evidence],
    sized: Mapping[str, Size],
    alpha: float,
) -> Across:
    parts = []
    for number, id_ in enumerate(ids):
        coded = found[id_].coded
        assert coded is not None  # there is a size
        use = coded.across & coded.decided
        y = coded.y[use]
        if (sized[id_].dprime or 0.0) < 0:  # count votes with the majority, so that signs agree
            y = ~y
        who = np.array(coded.listeners)[coded.listener[use]]
        pair = coded.first[use] * len(coded.take_ids) + coded.second[use]
        parts.append((np.full(y.size, number), y, who, coded.excerpt[use], pair))
    question, right, who, excerpt, pair = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    people, listener = np.unique(who, return_inverse=True)
    answered = np.zeros((people.size, len(ids)), bool)
    answered[listener, question] = True
    shared = int(answered.all(axis=1).sum())
    if shared < LEAST_SHARED:
        return Across(
            tuple(ids), None, None, None,
            f"Whether listeners differ from question to question is not told: it takes "
            f"{LEAST_SHARED} who answered all of them.",
        )  # fmt: skip
    X = (question[:, None] == np.arange(len(ids))).astype(float)
    groups = {"listener": listener}
    for name, codes in (("excerpt", excerpt), ("pair", pair)):
        own = question * (int(codes.max()) + 1) + codes
        if np.unique(own).size > len(ids):
            groups[name] = own
    y = right.astype(float)
    try:
        without = model.fit(y, X, groups, link=link, nodes=1)
        with_ = model.fit(y, X, groups | {_ALL: listener * len(ids) + question}, link=link, nodes=1)
    except BadInput as refused:
        return Across(
            tuple(ids), None, None, None,
            "Whether listeners differ from question to question is not told: "
            f"{refused.message.rstrip('.')}.",
        )  # fmt: skip
    if not (without.converged and with_.converged):
        return Across(
            tuple(ids), None, None, None,
            "Whether listeners differ from question to question is not told: the model did not "
            "settle.",
        )  # fmt: skip
    ratio = max(0.0, without.deviance - with_.deviance)
    p = 1.0 if ratio <= 0 else 0.5 * float(chi2.sf(ratio, 1))
    if p > alpha:
        return Across(
            tuple(ids), without.sd["listener"], None, p,
            "That listeners differ from question to question, beyond what they carry from one to "
            f"the next, cannot be told from these votes (p = {p:.2g}).",
        )  # fmt: skip
    return Across(
        tuple(ids), with_.sd["listener"], with_.sd[_ALL], p,
        "Listeners differ from question to question, beyond what they carry from one to the next "
        f"(p = {p:.2g}): who hears one need not hear the other.",
    )  # fmt: skip
