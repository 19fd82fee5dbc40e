"""A whole set of conditions in order, in words."""

from panel.analysis.wording.phrases import at_least, at_most, percent
from panel.prose import Language, listed
from panel.study.verdict import Likings, Ranking


def favourites(say: Language, likings: Likings) -> str:
    """What may be said of how much listeners differ in their likings."""
    low, high = likings.own_favourite_interval
    return say(
        "Of two conditions that the panel as a whole likes equally, a listener like these chooses "
        "his or her own favourite in about {share} of comparisons ({low} to {high}; 50% if all "
        "like alike).",
        share=percent(say, likings.own_favourite),
        low=at_least(low),
        high=at_most(high),
    )


def sentence(say: Language, told: Ranking, attribute: str | None) -> str:
    """The order in plain words: what each was chosen, who is ahead of whom, what stays open."""
    places = listed(
        (
            f"“{label}” {percent(say, score)}"
            for label, score in zip(told.order, told.scores, strict=True)
        ),
        say,
    )
    if attribute:
        won = say("Share of comparisons won for more {attribute}: {places}.",
                  attribute=attribute, places=places)  # fmt: skip
    else:
        won = say("Share of comparisons won over all: {places}.", places=places)
    return f"{won} {_shown(say, told)}"


def _shown(say: Language, told: Ranking) -> str:
    ahead = listed((ahead_words(say, p.higher, p.lower) for p in told.pairs if p.apart), say)
    if not ahead:
        return say("No order among them is shown.")
    shown = say("Shown: {ahead}.", ahead=ahead)
    stay = sum(not p.apart for p in told.pairs)
    if not stay:
        return shown
    if stay == 1:
        return f"{shown} {say('The order of the other pair stays open.')}"
    return f"{shown} {say('The order of the other {pairs} pairs stays open.', pairs=stay)}"


def ahead_words(say: Language, higher: str, lower: str) -> str:
    return say("“{higher}” ahead of “{lower}”", higher=higher, lower=lower)
