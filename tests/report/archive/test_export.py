"""The archive: whole, deterministic, anonymous, and refused when it was tampered with."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from dataclasses import fields, replace

import pytest
from vote_records import ListenerRow, Vote, as_tables, listener_rows, vote_rows

from panel.errors import BadInput
from panel.report.archive.codebook import CONTRASTS, LISTENERS, VOTES
from panel.report.archive.export import MEMBERS, read_zip, recompute, write_zip
from panel.study.plan_reading import read_plan
from panel.study.verdict import read_verdict
from panel.study.votes import LISTENER_COLUMNS, VOTE_COLUMNS


@pytest.fixture
def archive(study, tmp_path):
    path = tmp_path / "export.zip"
    path.write_bytes(write_zip(study[0], *as_tables(*study[1:3]), study[3]))
    return path


def members(path):
    with zipfile.ZipFile(path) as file:
        return {name: file.read(name) for name in file.namelist()}


def rewrite(path, files):
    with zipfile.ZipFile(path, "w") as file:
        for name, data in files.items():
            file.writestr(name, data)


def resealed(path, name, data):
    """Change a file and its hash in the descriptor too, as a careful forger would."""
    files = members(path)
    files[name] = data
    package = json.loads(files["datapackage.json"])
    for resource in package["resources"]:
        if resource["path"] == name:
            resource["hash"] = f"sha256:{hashlib.sha256(data).hexdigest()}"
            resource["bytes"] = len(data)
    files["datapackage.json"] = json.dumps(package).encode()
    rewrite(path, files)


def test_what_was_written_is_read_again(archive, study):
    plan, votes, listeners, verdict = study
    found = read_zip(archive)
    assert vote_rows(found.votes) == votes
    assert listener_rows(found.listeners) == sorted(listeners, key=lambda row: row.listener)
    assert read_verdict(json.loads(found.verdict)) == verdict
    assert found.plan == plan


def test_recomputing_gives_the_identical_verdict(archive, study):
    found = recompute(archive)
    assert found.identical
    assert found.verdict == study[3]


def test_equal_studies_give_equal_bytes_whatever_the_order_of_rows(study):
    plan, votes, listeners, verdict = study
    first = write_zip(plan, *as_tables(votes, listeners), verdict)
    turned = as_tables(votes[::-1], listeners[::-1])
    other_way_round = read_plan(dict(reversed(plan.document().items())))
    assert write_zip(other_way_round, *turned, verdict) == first


def test_the_zip_holds_no_time_and_exactly_the_named_files(archive):
    with zipfile.ZipFile(archive) as file:
        assert file.namelist() == list(MEMBERS)
        assert {entry.date_time for entry in file.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert file.testzip() is None


def test_plan_json_hashes_to_the_lock(archive, study):
    digest = hashlib.sha256(members(archive)["plan.json"]).hexdigest()
    assert digest == study[3].plan_sha256
    assert digest in members(archive)["README.txt"].decode()


def test_every_column_stands_in_the_codebook_and_no_other():
    assert tuple(field.name for field in VOTES) == VOTE_COLUMNS
    assert tuple(field.name for field in LISTENERS) == LISTENER_COLUMNS
    assert set(VOTE_COLUMNS) == {field.name for field in fields(Vote)}
    assert set(LISTENER_COLUMNS) == {field.name for field in fields(ListenerRow)}


def test_codebook_describes_every_column_of_every_table(archive):
    files = members(archive)
    described = {
        (row["table"], row["column"])
        for row in csv.DictReader(io.StringIO(files["codebook.csv"].decode()))
    }
    for table in ("votes", "listeners", "contrasts"):
        header = files[f"{table}.csv"].decode().splitlines()[0].split(",")
        assert {(table, column) for column in header} <= described
    assert len(described) == len(VOTES) + len(LISTENERS) + len(CONTRASTS)


def test_contrasts_carry_name_role_and_verdict(archive, study):
    rows = list(csv.DictReader(io.StringIO(members(archive)["contrasts.csv"].decode())))
    assert [row["id"] for row in rows] == [entry.id for entry in study[3].contrasts]
    found = {entry.id: entry for entry in study[3].contrasts}
    for row in rows:
        entry = found[row["id"]]
        assert row["verdict"] == entry.verdict
        assert row["trials"] == str(entry.trials)
        assert row["correct"] == ("" if entry.correct is None else str(entry.correct))


# ---- what cannot be trusted is refused ----


def test_a_missing_file(tmp_path):
    with pytest.raises(BadInput, match="There is no file"):
        read_zip(tmp_path / "none.zip")


@pytest.mark.parametrize("data", [b"", b"hello", b"PK\x03\x04", b"\0" * 5000])
def test_what_is_no_zip(tmp_path, data):
    path = tmp_path / "export.zip"
    path.write_bytes(data)
    with pytest.raises(BadInput, match=r"export\.zip"):
        read_zip(path)


def test_a_folder_is_no_zip(tmp_path):
    with pytest.raises(BadInput, match="folder"):
        read_zip(tmp_path)


@pytest.mark.parametrize("name", MEMBERS)
def test_a_file_left_out(archive, name):
    files = members(archive)
    del files[name]
    rewrite(archive, files)
    with pytest.raises(BadInput, match=f"lacks {name}"):
        read_zip(archive)


@pytest.mark.parametrize(
    "name", [n for n in MEMBERS if n not in ("README.txt", "datapackage.json")]
)
def test_a_file_changed_by_one_byte(archive, name):
    files = members(archive)
    changed = bytearray(files[name])
    changed[len(changed) // 2] ^= 1
    files[name] = bytes(changed)
    rewrite(archive, files)
    with pytest.raises(BadInput, match="not the file that was exported"):
        read_zip(archive)


def test_a_vote_turned_round_contradicts_its_own_slots(archive):
    text = members(archive)["votes.csv"].decode()
    lines = text.splitlines(keepends=True)
    row = next(i for i, line in enumerate(lines) if ",abx," in line)
    cells = lines[row].split(",")
    cells[9] = {"one": "two", "two": "one"}[cells[9]]
    lines[row] = ",".join(cells)
    resealed(archive, "votes.csv", "".join(lines).encode())
    with pytest.raises(BadInput, match="by its slots and answer"):
        recompute(archive)


def test_a_forged_verdict_is_found_out(archive):
    verdict = json.loads(members(archive)["verdict.json"])
    verdict["contrasts"][0]["verdict"] = "preferred"
    resealed(archive, "verdict.json", json.dumps(verdict).encode())
    assert b'"preferred"' in read_zip(archive).verdict
    assert not recompute(archive).identical


def test_a_number_in_its_last_digit_is_found_out(archive):
    verdict = json.loads(members(archive)["verdict.json"])
    verdict["contrasts"][0]["numbers"]["share_right"] += 1e-6
    resealed(archive, "verdict.json", json.dumps(verdict).encode())
    assert not recompute(archive).identical


def test_votes_dropped_together_with_their_listener_change_the_verdict(archive, study):
    listener = study[2][0].listener
    files = members(archive)
    for name in ("votes.csv", "listeners.csv"):
        kept = [
            line
            for line in files[name].decode().splitlines(keepends=True)
            if listener not in line.split(",")
        ]
        resealed(archive, name, "".join(kept).encode())
    assert not recompute(archive).identical


def test_another_plan_is_not_the_verdicts(archive):
    plan = json.loads(members(archive)["plan.json"])
    plan["limit"] = 0.5
    resealed(archive, "plan.json", json.dumps(plan).encode())
    with pytest.raises(BadInput, match="not the plan"):
        read_zip(archive)


def test_a_verdict_of_another_plan_is_not_written(study):
    plan, votes, listeners, verdict = study
    other = replace(plan, alpha=0.01).as_built()
    with pytest.raises(BadInput, match="another plan"):
        write_zip(other, *as_tables(votes, listeners), verdict)


def test_a_truncated_zip_is_refused_wherever_it_is_cut(archive):
    data = archive.read_bytes()
    for part in range(1, 20):
        archive.write_bytes(data[: len(data) * part // 20])
        with pytest.raises(BadInput):
            read_zip(archive)


def test_damage_anywhere_is_noticed_or_harmless(archive, study):
    """Flip a byte at 150 places: the archive is refused, or everything read is as it was."""
    data = archive.read_bytes()
    good = read_zip(archive)
    refused = 0
    for place in range(0, len(data), max(1, len(data) // 150)):
        damaged = bytearray(data)
        damaged[place] ^= 0x55
        archive.write_bytes(bytes(damaged))
        try:
            found = read_zip(archive)
        except BadInput:
            refused += 1
        else:
            assert found == good
    assert refused > 100
