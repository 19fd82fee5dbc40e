"""Are pairs across conditions told apart more often than retakes? Valid at every look.

Each listener's votes are put in blocks of one across and one within, in order of arrival. If a
listener is right across with no greater probability than within, whatever these probabilities
are and however they differ over listeners, then of the blocks in which just one of the two votes
is right, it is the one across in at most half: p(1 − q) <= q(1 − p) whenever p <= q (double
dichotomies, Wald 1947, Sequential Analysis, ch. 6; from memory). So the mixture martingale against
1/2 (panel.analysis.counts.anytime) runs over those blocks.

This is about the recordings at hand. With few takes, pairs across can differ more than pairs
within by the luck of the takes; only the permutation of labels over takes guards against that. The
number decides nothing.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from panel.analysis.counts.anytime import e_value, p_anytime


@dataclass(frozen=True)
class Difference:
    """`blocks`: of one vote each; `one_right`: just one of the two; `across_right`: it was across.

    `e_value`: evidence so far that across is told apart more often; `p_anytime`: the least of its
    inverse over all votes so far.
    """

    blocks: int
    one_right: int
    across_right: int
    e_value: float
    p_anytime: float


def compare(votes: Iterable[tuple[int, bool, bool]]) -> Difference:
    """`votes`: (listener's code, is it across, was it right), in the order in which they count."""
    waiting: dict[tuple[int, bool], list[bool]] = defaultdict(list)
    blocks, outcomes = 0, list[bool]()
    for listener, across, right in votes:
        partners = waiting[listener, not across]
        if not partners:
            waiting[listener, across].append(right)
            continue
        partner = partners.pop(0)
        blocks += 1
        if partner != right:
            outcomes.append(right if across else partner)
    won = sum(outcomes)
    return Difference(
        blocks=blocks,
        one_right=len(outcomes),
        across_right=won,
        e_value=e_value(won, len(outcomes), 0.5),
        p_anytime=p_anytime(outcomes, 0.5),
    )
