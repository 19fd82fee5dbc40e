"""Whether the listeners who hear one question well are those who hear the others well.

Votes on all questions that share a curve are fitted together: fixed, the mean d′ of each question;
random, the listener, and the listener within each question, beside excerpts and pairs of takes.
The first spread is what listeners carry from question to question, the second what is new in each.
Whether there is a second at all is told by the likelihood ratio, half of whose distribution is a
lump at zero, as the spread cannot be negative (Self & Liang 1987, J. Am. Stat. Assoc. 82).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.stats import chi2

from panel.analysis.decision.evidence import Evidence
from panel.analysis.mixed import model
from panel.analysis.refusals import Refused
from panel.analysis.sizes import Size
from panel.study.verdict import Across, Remark

LEAST_SHARED = 10  # listeners with votes on all of the questions
_ALL = "listener by question"


def of_questions(
    found: Mapping[str, Evidence], sized: Mapping[str, Size], alpha: float
) -> list[Across]:
    """Spreads in d′, one entry for each curve that two or more questions share; never raises.

    A question counts if a model could be fitted to it by itself (see `sizes`): where nothing is
    heard the votes know no spread.
    """
    by_curve: dict[str, list[str]] = {}
    for id_, size in sized.items():
        curve = found[id_].contrast.asked_by.curve
        if size.listener_sd is not None and size.dprime is not None and curve is not None:
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
        return _not_told(ids, Remark("few_shared", {"listeners": LEAST_SHARED}))
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
    except Refused as refused:
        return _not_told(ids, Remark("refused", parts=(refused.remark,)))
    if not (without.converged and with_.converged):
        return _not_told(ids, Remark("unsettled"))
    ratio = max(0.0, without.deviance - with_.deviance)
    p = 1.0 if ratio <= 0 else 0.5 * float(chi2.sf(ratio, 1))
    if p > alpha:
        return Across(tuple(ids), without.sd["listener"], None, p, Remark("cannot_tell", {"p": p}))
    return Across(tuple(ids), with_.sd["listener"], with_.sd[_ALL], p, Remark("differ", {"p": p}))


def _not_told(ids: Sequence[str], why: Remark) -> Across:
    return Across(tuple(ids), None, None, None, why)
