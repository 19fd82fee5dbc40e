"""A vote table from a file, with or without its plan: the document and its lines of text."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from panel.analysis.pool import concluded, pool
from panel.design import plan as plans
from panel.errors import BadInput
from panel.prose import plural
from panel.study.votes_csv import read_listeners, read_votes

LARGEST = 200_000_000  # bytes; a vote is some 70


def pooled(table: Path, plan: Path | None = None, listeners: Path | None = None) -> dict[str, Any]:
    """The verdict if `plan` is given, else what the table says by itself.

    Raises BadInput for a file that cannot be read, and for tables that contradict themselves or
    the plan.
    """
    votes = read_votes(_text(table))
    if plan is None:
        if listeners is not None:
            raise BadInput(
                "The listeners' table is only of use together with the plan.",
                hint="Give the plan of the same export too (--plan plan.json).",
            )
        return pool(votes)
    rows = None if listeners is None else read_listeners(_text(listeners))
    return concluded(plans.checked(_text(plan).encode()).document(), votes, rows)


def lines(document: Mapping[str, Any]) -> list[str]:
    """What `pooled` found, as lines to print."""
    out = [document["headline"]] if "headline" in document else []
    without = {e["id"]: e["sentences"] for e in document.get("left_out", {}).get("contrasts", ())}
    for entry in document["contrasts"]:
        if "verdict" in entry:
            heading = f"{entry['name']} ({entry['role'].replace('_', ' ')})"
        else:
            heading = f"{entry['id']} ({entry['procedure']})"
        out += ["", heading, f"  {entry['sentence']}"]
        texts = [*entry.get("reasons", entry.get("notes", ())), *without.get(entry["id"], ())]
        out += [f"  - {text}" for text in texts]
    out.append("")
    gone = document.get("excluded")
    if gone and gone["listeners"]:
        people = plural(len(gone["listeners"]), "listener")
        out.append(f"Left out by the plan's rule ({gone['rule']}): {people}.")
    out += [f"Limit: {text}" for text in document["limits"]]
    if "plan_sha256" in document:
        out.append(f"Plan SHA-256: {document['plan_sha256']}")
    return out[1:] if out[0] == "" else out


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST:
            raise BadInput(f"{path.name} is too large to be a table of votes.")
        return path.read_bytes().decode()
    except FileNotFoundError:
        raise BadInput(f"There is no file {path}.", hint="Check the path.") from None
    except IsADirectoryError:
        raise BadInput(f"{path} is a folder.", hint="Name a file in it.") from None
    except UnicodeDecodeError as error:
        raise BadInput(
            f"{path.name} is not UTF-8 text: {error}.",
            hint="Give the table itself, not the zip it was in.",
        ) from error
    except OSError as error:
        raise BadInput(f"{path.name} cannot be read: {error.strerror}.") from None
