"""The archive that lets anybody recompute a verdict: a zip of plain tables, plan and verdict.

Written deterministically: the same study gives the same bytes. It is a Frictionless Data Package
(version 1). No addresses, names of listeners, network addresses or exact times go in; they are not
in the tables this takes.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from panel.analysis.wording.told import Told, told
from panel.errors import BadInput
from panel.report.archive.codebook import (
    CODEBOOK,
    REASONS,
    TABLE_TITLES,
    TABLES,
    Field,
    codebook_rows,
)
from panel.report.archive.readme import readme, readme_without_verdict
from panel.study.plan import Plan
from panel.study.plan_reading import read_plan
from panel.study.verdict import Verdict
from panel.study.votes import ListenerTable, VoteTable
from panel.study.votes_csv import read_listeners, read_votes, write_listeners, write_votes

PLAN, VERDICT, VOTES, LISTENERS = "plan.json", "verdict.json", "votes.csv", "listeners.csv"
CONTRASTS, CODEBOOK_FILE = "contrasts.csv", "codebook.csv"
PACKAGE, README = "datapackage.json", "README.txt"
REASONS_FILE = "reasons.csv"  # there only where the organiser chose so
MEMBERS = (README, PACKAGE, PLAN, VERDICT, VOTES, LISTENERS, CONTRASTS, CODEBOOK_FILE)
LARGEST_MEMBER = 200 * 1024 * 1024
EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest a zip can hold: no exact time, equal bytes


@dataclass(frozen=True)
class Export:
    """An archive, read and checked against itself. `verdict`: the bytes of the stored one."""

    plan: Plan
    votes: VoteTable
    listeners: ListenerTable
    verdict: bytes


def write_zip(
    plan: Plan,
    votes: VoteTable,
    listeners: ListenerTable,
    verdict: Verdict,
    *,
    reasons: str | None = None,
) -> bytes:
    """The archive's bytes; equal input gives equal bytes. `reasons`: reasons.csv, left out unless
    given.

    Votes go in order of arrival, listeners by code. Raises BadInput if the verdict belongs to
    another plan.
    """
    digest = plan.sha256
    if verdict.plan_sha256 != digest:
        raise BadInput(
            "This verdict was reached under another plan.", hint="Conclude the study again."
        )
    said = told(plan, verdict)
    files: dict[str, bytes] = {
        PLAN: plan.canonical,
        VERDICT: verdict_bytes(verdict),
        VOTES: write_votes(votes.select(np.argsort(votes.sequence, kind="stable"))).encode(),
        LISTENERS: write_listeners(listeners.in_order()).encode(),
        CONTRASTS: _csv(TABLES["contrasts"], contrast_rows(plan, verdict, said)),
        CODEBOOK_FILE: _csv(CODEBOOK, codebook_rows()),
        README: readme(plan, said.headline).encode(),
    }
    if reasons is not None:
        files[REASONS_FILE] = reasons.encode()
    files[PACKAGE] = _json(data_package(plan, files))
    names = (*MEMBERS, *([REASONS_FILE] if reasons is not None else []))
    return _zipped({name: files[name] for name in names})


def write_zip_without_verdict(
    plan: Plan, votes: VoteTable, listeners: ListenerTable, *, reasons: str | None = None
) -> bytes:
    """What is kept of a study from whose plan nothing can be claimed any more: that plan as it is,
    the votes, the listeners, and what their columns mean."""
    known = [row for row in codebook_rows() if row[0] != "contrasts"]
    files = {
        README: readme_without_verdict(plan).encode(),
        PLAN: plan.canonical,
        VOTES: write_votes(votes.select(np.argsort(votes.sequence, kind="stable"))).encode(),
        LISTENERS: write_listeners(listeners.in_order()).encode(),
        CODEBOOK_FILE: _csv(CODEBOOK, known),
    }
    if reasons is not None:
        files[REASONS_FILE] = reasons.encode()
    return _zipped(files)


def _zipped(files: Mapping[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(name, EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, content)
    return buffer.getvalue()


def verdict_bytes(verdict: Verdict) -> bytes:
    """verdict.json: keys sorted, an entry a line."""
    return _json(verdict.document())


def contrast_rows(plan: Plan, verdict: Verdict, said: Told) -> list[tuple[str, ...]]:
    """Rows of contrasts.csv, in the plan's order."""
    found = {entry.id: entry for entry in verdict.contrasts}
    return [
        (
            contrast.id,
            contrast.name,
            contrast.role,
            contrast.of or "",
            contrast.procedure,
            contrast.attribute or "",
            contrast.factor or "",
            " | ".join(contrast.given),
            " | ".join(condition.label for condition in contrast.conditions),
            found[contrast.id].verdict,
            _count(found[contrast.id].correct),
            _count(found[contrast.id].trials),
            said.contrasts[contrast.id].sentence,
        )
        for contrast in plan.contrasts
        if contrast.id in found
    ]


def _count(value: int | None) -> str:
    return "" if value is None else str(value)


def data_package(plan: Plan, files: Mapping[str, bytes]) -> dict[str, Any]:
    """The descriptor (Frictionless Data Package v1) of these files."""

    def resource(name: str, file: str, title: str, more: Mapping[str, Any]) -> dict[str, Any]:
        data = files[file]
        return {
            "name": name,
            "path": file,
            "title": title,
            "bytes": len(data),
            "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
            "encoding": "utf-8",
            **more,
        }

    def table(name: str, title: str, fields: Sequence[Field], **keys: Any) -> dict[str, Any]:
        return resource(
            name,
            f"{name}.csv",
            title,
            {
                "profile": "tabular-data-resource",
                "format": "csv",
                "mediatype": "text/csv",
                "dialect": {"delimiter": ",", "lineTerminator": "\n", "header": True},
                "schema": {
                    "fields": [field.schema() for field in fields],
                    "missingValues": [""],
                    **keys,
                },
            },
        )

    def reference(field: str, name: str, to: str) -> dict[str, Any]:
        return {"fields": field, "reference": {"resource": name, "fields": to}}

    json_kind = {"profile": "data-resource", "format": "json", "mediatype": "application/json"}
    return {
        "profile": "data-package",
        "name": f"fair-hearing-{plan.sha256[:12]}",
        "id": f"urn:sha256:{plan.sha256}",
        "title": plan.title,
        "description": plan.question,
        "resources": [
            table(
                "votes",
                TABLE_TITLES["votes"],
                TABLES["votes"],
                primaryKey=["listener", "trial"],
                foreignKeys=[
                    reference("listener", "listeners", "listener"),
                    reference("contrast", "contrasts", "id"),
                ],
            ),
            table(
                "listeners", TABLE_TITLES["listeners"], TABLES["listeners"], primaryKey=["listener"]
            ),
            table("contrasts", TABLE_TITLES["contrasts"], TABLES["contrasts"], primaryKey=["id"]),
            *(
                [table("reasons", "One row a reason for a preference", REASONS)]
                if REASONS_FILE in files
                else []
            ),
            table("codebook", "What every column means", CODEBOOK, primaryKey=["table", "column"]),
            resource("plan", PLAN, "The plan that was locked before the first vote", json_kind),
            resource("verdict", VERDICT, "The verdict with all its numbers", json_kind),
        ],
    }


def read_zip(path: Path | str) -> Export:
    """Read an archive and hold it against itself.

    Raises BadInput, saying which file and what is wrong with it: no zip, a file missing, damaged
    or changed (its hash is in datapackage.json), a plan other than the verdict's.
    """
    files = _members(Path(path))
    descriptor = _object(files[PACKAGE], PACKAGE)
    for entry in _resources(descriptor):
        name, said = entry.get("path"), entry.get("hash")
        if name in files and said != f"sha256:{hashlib.sha256(files[name]).hexdigest()}":
            raise BadInput(
                f"{name} is not the file that was exported: its SHA-256 is another than "
                f"{PACKAGE} says.",
                hint="Fetch the archive again from where it was published.",
            )
    plan = read_plan(files[PLAN])
    verdict = _object(files[VERDICT], VERDICT)
    if verdict.get("plan_sha256") != hashlib.sha256(files[PLAN]).hexdigest():
        raise BadInput(
            f"{PLAN} is not the plan that {VERDICT} was reached under: its SHA-256 is another.",
            hint="Fetch the archive again; a locked plan cannot change.",
        )
    return Export(
        plan,
        read_votes(_text(files[VOTES], VOTES)),
        read_listeners(_text(files[LISTENERS], LISTENERS)),
        files[VERDICT],
    )


@dataclass(frozen=True)
class Recomputed:
    """The verdict from an archive's votes and plan; `identical`: byte for byte the stored one."""

    plan: Plan
    verdict: Verdict
    identical: bool


def recompute(path: Path | str) -> Recomputed:
    """The verdict from the archive's votes and plan. Raises BadInput for an archive that cannot be
    read."""
    from panel.analysis.verdict import conclude

    found = read_zip(path)
    verdict = conclude(found.plan, found.votes, found.listeners)
    return Recomputed(found.plan, verdict, verdict_bytes(verdict) == found.verdict)


def _members(path: Path) -> dict[str, bytes]:
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            missing = [name for name in MEMBERS if name not in names]
            if missing:
                raise BadInput(
                    f"{path.name} lacks {', '.join(missing)}.",
                    hint="Use the archive as Fair Hearing exported it.",
                )
            files = {}
            for name in MEMBERS:
                if names.count(name) > 1:
                    raise BadInput(f"{path.name} holds {name} twice.")
                if archive.getinfo(name).file_size > LARGEST_MEMBER:
                    raise BadInput(f"{name} in {path.name} is too large to be a table of votes.")
                files[name] = archive.read(name)
            return files
    except FileNotFoundError:
        raise BadInput(f"There is no file {path}.", hint="Check the path.") from None
    except IsADirectoryError:
        raise BadInput(f"{path} is a folder.", hint="Give the zip itself.") from None
    except (zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, RuntimeError, OSError,
            EOFError) as error:  # fmt: skip
        raise BadInput(
            f"{path.name} cannot be read as a zip archive: {error}.",
            hint="Fetch it again; it may have been cut short.",
        ) from error
    except Exception as error:  # zlib.error has no public base of its own
        if isinstance(error, BadInput):
            raise
        raise BadInput(
            f"{path.name} is damaged: {error}.", hint="Fetch it again; it may have been cut short."
        ) from error


def _object(data: bytes, name: str) -> dict[str, Any]:
    try:
        value = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise BadInput(f"{name} is no readable JSON: {error}.") from error
    if not isinstance(value, dict):
        raise BadInput(f"{name} is no JSON object.")
    return value


def _resources(descriptor: Mapping[str, Any]) -> list[dict[str, Any]]:
    entries = descriptor.get("resources")
    listed = [entry for entry in entries or () if isinstance(entry, dict)]
    named = {entry.get("path") for entry in listed}
    missing = {PLAN, VERDICT, VOTES, LISTENERS, CONTRASTS, CODEBOOK_FILE} - named
    if missing:
        raise BadInput(f"{PACKAGE} does not describe {', '.join(sorted(missing))}.")
    return listed


def _text(data: bytes, name: str) -> str:
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        raise BadInput(f"{name} is not UTF-8 text: {error}.") from error


def _json(value: Mapping[str, Any]) -> bytes:
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1, sort_keys=True)
    return text.encode() + b"\n"


def _csv(fields: Sequence[Field], rows: Sequence[Sequence[str | float | None]]) -> bytes:
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([field.name for field in fields])
    writer.writerows(rows)
    return buffer.getvalue().encode()
