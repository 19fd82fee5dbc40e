"""README.txt of the archive: what is in it and how to get the verdict again, in plain words."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from panel.procedures.catalogue import PROCEDURES
from panel.study.plan import Plan
from panel.study.plan_reading import OF_FORMAT_1, TO_FORMAT_2


def readme(plan: Plan, headline: str) -> str:
    """The text, wrapped at 78 columns."""
    used = {contrast.procedure for contrast in plan.contrasts}
    parts = [
        plan.title,
        plan.question,
        f"Verdict: {headline}",
        "WHAT IS IN HERE",
        "votes.csv: one row a vote. listeners.csv: one row a listener, known by a random code. "
        "contrasts.csv: what was compared, with the verdict on each. codebook.csv: what every "
        "column means. plan.json: what was fixed before the first vote, in canonical form "
        "(RFC 8785). verdict.json: the verdict with all its numbers. datapackage.json: the same "
        "described for programs (Frictionless Data Package).",
        "There are no names, addresses, network addresses or exact times in these files.",
        "HOW THE PAIRS WERE PUT",
        *(
            f"{code}: {kind.name}. {kind.question_text('of the attribute')} "
            f"Chance is {'one third' if kind.chance < 0.4 else 'one half'}."
            for code, kind in PROCEDURES.items()
            if code in used
        ),
        "Takes of the conditions asked about were pooled, and their pairs dealt from shuffled "
        "decks: over whole decks every pair comes up equally often. Pairs across conditions are "
        "the question; pairs within one condition show what mere re-recording sounds like. Where "
        "each sample stood was drawn at random for every trial.",
        *(
            [
                "Where a contrast in plan.json is “given” other factors, pairs were formed only "
                "among the takes of each of its strata: read what follows within strata, and put "
                "the labels on the takes of each stratum by itself."
            ]
            if any(contrast.given for contrast in plan.contrasts)
            else []
        ),
        "HOW TO GET THE VERDICT AGAIN",
        "With Fair Hearing: fairhearing verdict ARCHIVE.zip. It needs no network and no server, "
        "and says whether its result equals verdict.json to the last digit.",
        "By hand, the test against chance: in votes.csv take the rows of one contrast whose takes "
        "belong to different conditions (plan.json lists the conditions with their takes), without "
        "the listeners whom the plan's rule leaves out (verdict.json names them; planted checks "
        "count everybody). Count the rows, "
        "and those with correct = 1. The probability of at least so many right by guessing is the "
        "upper tail of a binomial distribution with the chance given above. For attribute and "
        "preference count the votes for a take of the later condition, and take both tails at one "
        "half.",
        "By hand, whether it is the change: from the share right on pairs across conditions take "
        "the share right on pairs within; then put the condition labels on the takes in every "
        "other possible way and see how often the difference is as large. (Fair Hearing first "
        "takes out each excerpt's own share right; verdict.json describes its methods.) For "
        "attribute and preference give each take its share of wins over all its comparisons, a "
        "listener's votes weighing together 1, compare the means of the conditions, and count both "
        "tails. For doses correlate a pair's share right with its distance in dose, weighted by "
        "votes.",
        "What the labels move with follows from plan.json: each take names its specimen and the "
        "session in which it was recorded. Labels change places only among what was recorded in "
        "the same sessions. Where the scope in verdict.json is “kind”, the label belongs to the "
        "specimen and all its takes move with it, and what is taken off the share right across is "
        "the larger of the conditions' own shares, over pairs of two different specimens. Where it "
        "is “specimens”, the label belongs to the take. Where it is “recordings”, nothing is "
        "claimed about what was changed.",
        "For attribute and preference that is one of three: flip the signs of the listeners' own "
        "leanings (share for the later condition less one half) in every way, and take min F' over "
        "listeners and recordings at once (Clark 1973); the claim rests on the largest p.",
        f"SHA-256 of plan.json: {plan.sha256}",
        "Anybody can check it with: sha256sum plan.json",
    ]
    return _wrapped(parts)


def readme_without_verdict(plan: Plan) -> str:
    """The text for what is kept of a study from whose plan nothing can be claimed any more."""
    return _wrapped(
        [
            plan.title,
            plan.question,
            f"There is no verdict. {OF_FORMAT_1} {TO_FORMAT_2}",
            "WHAT IS IN HERE",
            "votes.csv: one row a vote. listeners.csv: one row a listener, known by a random code. "
            "codebook.csv: what every column means. plan.json: what was fixed before the first "
            "vote, byte for byte as it was locked.",
            "There are no names, addresses, network addresses or exact times in these files.",
            f"SHA-256 of plan.json: {plan.sha256}",
        ]
    )


def _wrapped(parts: Sequence[str]) -> str:
    return "\n\n".join(textwrap.fill(" ".join(part.split()), 78) for part in parts) + "\n"
