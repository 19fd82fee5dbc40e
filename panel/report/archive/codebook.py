"""What every column of the exported tables means: one source for codebook, schema and test."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from panel.procedures.catalogue import PROCEDURES


@dataclass(frozen=True)
class Field:
    """One column. `type` and `constraints` are those of the Frictionless Table Schema."""

    name: str
    type: str
    title: str
    description: str
    constraints: tuple[tuple[str, bool | float | str | list[str]], ...] = ()

    def schema(self) -> dict[str, Any]:
        entry: dict[str, Any] = {
            "name": self.name,
            "type": self.type,
            "title": self.title,
            "description": self.description,
        }
        if self.type == "boolean":
            entry["trueValues"], entry["falseValues"] = ["1"], ["0"]
        if self.constraints:
            entry["constraints"] = dict(self.constraints)
        return entry


REQUIRED = ("required", True)
POSITIVE = (REQUIRED, ("minimum", 1))
NOT_NEGATIVE = (REQUIRED, ("minimum", 0))
PROCEDURE_CODES = list(PROCEDURES)
ROLE_CODES = ["question", "retake_control", "planted_check"]

VOTES = (
    Field(
        "sequence", "integer", "Order of arrival",
        "1 for the first vote of the study, counted up over all listeners.",
        (*POSITIVE, ("unique", True)),
    ),
    Field("listener", "string", "Listener", "Random code of the listener.", (REQUIRED,)),
    Field(
        "trial", "integer", "Trial", "Number of the trial within this listener's list, from 1.",
        POSITIVE,
    ),
    Field(
        "contrast", "string", "Contrast",
        "Id of the question, free retake control or planted check in contrasts.csv. Pairs of "
        "takes of one condition carry the id of their question.",
        (REQUIRED,),
    ),
    Field(
        "procedure", "string", "Procedure", "How the pair was put; see the README.",
        (REQUIRED, ("enum", PROCEDURE_CODES)),
    ),
    Field("excerpt", "string", "Excerpt", "Id of the excerpt in plan.json.", (REQUIRED,)),
    Field("one", "string", "Sample one", "Id of the take in the first place.", (REQUIRED,)),
    Field("two", "string", "Sample two", "Id of the take in the second place.", (REQUIRED,)),
    Field(
        "three", "string", "Sample three",
        "Id of the take in the third place; empty where two samples are played. "
        "same_different with one take twice: the take it was paired with, which was not played. "
        "reminder: the take at hand under the name that is asked for.",
    ),
    Field(
        "answer", "string", "Answer",
        "abx: which of one and two the third equals. triangle: the different one. duo_trio: which "
        "of two and three equals the reference, sample one. same_different: what the "
        "two were called. reminder: which of one and two is of the kind of sample three. "
        "attribute: the one with more of it. "
        "preference: the preferred one, or neither.",
        (REQUIRED, ("enum", ["one", "two", "three", "same", "different", "neither"])),
    ),
    Field(
        "correct", "boolean", "Right",
        "1 right, 0 wrong; empty where no answer is right by itself (attribute and preference, "
        "unless what is right is planted).",
    ),
    Field("plays", "integer", "Plays", "How often samples were started.", NOT_NEGATIVE),
    Field("seconds", "integer", "Seconds", "Whole seconds from trial to vote.", NOT_NEGATIVE),
    Field("day", "integer", "Day", "Days since the first vote of the study, from 0.", NOT_NEGATIVE),
    Field(
        "four", "string", "Sample four",
        "reminder: id of the take at hand under the second name; else empty.",
    ),
)  # fmt: skip

LISTENERS = (
    Field(
        "listener", "string", "Listener", "Random code, drawn for this study only.",
        (REQUIRED, ("unique", True)),
    ),
    Field("finished", "boolean", "Finished", "1 if every trial was answered.", (REQUIRED,)),
    Field(
        "headphone_check", "string", "Headphone check",
        "How the check with test sounds went. It is evidence for headphones, no proof.",
        (REQUIRED, ("enum", ["passed", "failed", "not taken"])),
    ),
    Field(
        "playback", "string", "Playback", "As the listener declared it.",
        (("enum", ["headphones", "earphones", "loudspeakers", "unknown"]),),
    ),
    Field(
        "sample_rate", "integer", "Sample rate",
        "Samples a second of the browser's audio output; empty where it was not told.",
        (("minimum", 1),),
    ),
    Field("votes", "integer", "Votes", "Number of this listener's votes.", NOT_NEGATIVE),
    Field(
        "withdrew", "string", "Withdrew",
        "Empty: no. kept: took back the consent and left the answers, without a name. removed: "
        "took it back and had all answers removed.",
        (("enum", ["kept", "removed"]),),
    ),
    Field(
        "votes_removed", "integer", "Votes removed",
        "How many answers were removed with a listener who withdrew.", NOT_NEGATIVE,
    ),
)  # fmt: skip

CONTRASTS = (
    Field("id", "string", "Id", "Id of the contrast in plan.json.", (REQUIRED, ("unique", True))),
    Field("name", "string", "Name", "In the organiser's words.", (REQUIRED,)),
    Field("role", "string", "Role", "What it is for.", (REQUIRED, ("enum", ROLE_CODES))),
    Field("of", "string", "Control of", "Id of the question a derived retake control belongs to."),
    Field(
        "procedure", "string", "Procedure", "How pairs were put.",
        (REQUIRED, ("enum", PROCEDURE_CODES)),
    ),
    Field("attribute", "string", "Attribute", "The attribute asked about, where there is one."),
    Field("factor", "string", "Factor", "Id of the one factor that differs, where there is one."),
    Field(
        "given", "string", "Given",
        "Ids of the factors that takes are crossed over, separated by “ | ”: pairs are of takes "
        "alike in them. Mostly empty.",
    ),
    Field(
        "conditions", "string", "Conditions",
        "Labels of the conditions, separated by “ | ”; for directed procedures a vote for the "
        "later one counts.",
    ),
    Field("verdict", "string", "Verdict", "Code of the verdict by the plan's rule.", (REQUIRED,)),
    Field(
        "correct", "integer", "Right",
        "Right answers; for attribute and preference votes for the later condition. A question "
        "counts pairs across its conditions only. Empty where there is no such count.",
        (("minimum", 0),),
    ),
    Field("trials", "integer", "Trials", "Votes counted.", NOT_NEGATIVE),
    Field("sentence", "string", "Sentence", "The verdict in words.", (REQUIRED,)),
)  # fmt: skip

REASONS = (
    Field("contrast", "string", "Contrast", "Id of the preference in contrasts.csv.", (REQUIRED,)),
    Field(
        "preferred", "string", "Preferred",
        "Label of the condition, neither, or that both were takes of the same.", (REQUIRED,),
    ),
    Field("ticked", "string", "Ticked", "Words that were ticked, separated by “ | ”."),
    Field("words", "string", "Words", "What the listener wrote, unchanged."),
)  # fmt: skip

TABLES = {"votes": VOTES, "listeners": LISTENERS, "contrasts": CONTRASTS}
TABLE_TITLES = {
    "votes": "One row a vote",
    "listeners": "One row a listener who consented",
    "contrasts": "One row a contrast of the plan, with its verdict",
}


def codebook_rows() -> list[tuple[str, str, str, str, str]]:
    """Rows of codebook.csv: table, column, type, allowed values, meaning."""
    rows = []
    for table, fields in TABLES.items():
        for field in fields:
            limits = dict(field.constraints)
            values = limits.get("enum")
            if field.type == "boolean":
                allowed = "1, 0"
            elif isinstance(values, list):
                allowed = ", ".join(values)
            elif "minimum" in limits:
                allowed = f"{limits['minimum']} or more"
            else:
                allowed = "any text"
            if "required" not in limits:
                allowed += ", or empty"
            rows.append((table, field.name, field.type, allowed, field.description))
    return rows


CODEBOOK = (
    Field("table", "string", "Table", "Which file of the archive, without .csv.", (REQUIRED,)),
    Field("column", "string", "Column", "Name of the column.", (REQUIRED,)),
    Field("type", "string", "Type", "Kind of value.", (REQUIRED,)),
    Field("allowed", "string", "Allowed", "Which values can stand there.", (REQUIRED,)),
    Field("meaning", "string", "Meaning", "What the value says.", (REQUIRED,)),
)
