"""A vote table from a file, with or without its plan: the document and its lines of text."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from panel.analysis.pool import concluded, pool
from panel.analysis.wording import pooled as wording
from panel.analysis.wording.told import Told, told
from panel.errors import BadInput
from panel.prose import plural
from panel.study.documents import Json
from panel.study.plan import Plan
from panel.study.plan_reading import read_plan
from panel.study.pooled import Pooled
from panel.study.shapes import written
from panel.study.verdict import ContrastVerdict, Verdict
from panel.study.votes_csv import read_listeners, read_votes

LARGEST = 200_000_000  # bytes; a vote is some 70


@dataclass(frozen=True)
class Found:
    """A document as plain JSON, what is said of it beside its facts, and its lines to print."""

    document: dict[str, Json]
    lines: list[str]


def pooled(table: Path, plan: Path | None = None, listeners: Path | None = None) -> Found:
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
        found = pool(votes)
        return Found(_with(found.document(), wording.told(found)), _pooled_lines(found))
    rows = None if listeners is None else read_listeners(_text(listeners))
    read = read_plan(_text(plan).encode())
    verdict = concluded(read, votes, rows)
    return Found(_with(verdict.document(), told(read, verdict)), _verdict_lines(read, verdict))


def _with(document: dict[str, Json], said: Told | wording.PooledTold) -> dict[str, Json]:
    return {**document, "said": written(said)}


def _heading(entry: ContrastVerdict) -> str:
    """A contrast by name, with what it is for."""
    return f"{entry.name} ({entry.role.replace('_', ' ')})"


def recomputed_lines(plan: Plan, verdict: Verdict) -> list[str]:
    """The verdict of an archive, as lines to print."""
    said = told(plan, verdict)
    out = [said.headline]
    for entry in verdict.contrasts:
        own = said.contrasts[entry.id]
        out += ["", _heading(entry), f"  {own.sentence}"]
        if entry.correct is not None:
            out.append(f"  {entry.correct} of {entry.trials} votes")
        out += [f"  - {text}" for text in own.reasons]
    out += ["", *(f"Limit: {text}" for text in said.limits)]
    return [*out, f"Plan SHA-256: {verdict.plan_sha256}"]


def _verdict_lines(plan: Plan, verdict: Verdict) -> list[str]:
    said = told(plan, verdict)
    out = [said.headline]
    for entry in verdict.contrasts:
        own = said.contrasts[entry.id]
        out += ["", _heading(entry), f"  {own.sentence}"]
        out += [f"  - {text}" for text in (*own.reasons, *own.without)]
    out.append("")
    if verdict.excluded.listeners:
        people = plural(len(verdict.excluded.listeners), "listener")
        out.append(f"Left out by the plan's rule ({said.rule}): {people}.")
    out += [f"Limit: {text}" for text in said.limits]
    return [*out, f"Plan SHA-256: {verdict.plan_sha256}"]


def _pooled_lines(found: Pooled) -> list[str]:
    said = wording.told(found)
    out = []
    for entry in found.contrasts:
        own = said.contrasts[entry.id]
        out += [f"{entry.id} ({entry.procedure})", f"  {own.sentence}"]
        out += [*(f"  - {text}" for text in own.notes), ""]
    return [*out, *(f"Limit: {text}" for text in said.limits)]


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
