"""What is published: an archive that anybody can recompute and nobody can be found in."""

import io
import re
import zipfile

import pytest
from small_study import build
from sqlmodel import select
from voting_cast import guessing, settings_in, vote

from panel.analysis.wording.told import told
from panel.errors import NotAllowed
from panel.report.archive.export import recompute
from panel.stages.conclude import ending, publish
from panel.stages.listen import visit
from panel.stages.listeners import invite
from panel.store.opening import open_store
from panel.store.tables import Listener, Message, Organiser, Study, Verdict, Vote
from panel.study.plan_reading import read_plan

PLANTED = "rosalind.wrenfield@planted.example.org"


@pytest.fixture
def settings(tmp_path):
    return settings_in(tmp_path)


@pytest.fixture
def store(settings):
    return open_store(settings)


@pytest.fixture
def study(store, settings):
    """A study in which somebody with a name to look for has voted, and left a remark."""
    study = build(store, procedures=("abx", "preference"), listeners=2, votes=2)
    [added] = invite.invite(store, settings, study.id, f"Rosalind Wrenfield <{PLANTED}>").added
    link = invite.personal_link(store, settings, added.listener_id).rsplit("/", 1)[1]
    for each in (*study.links, link):
        vote(store, each, guessing)
    visit.finish(store, link, f"Call me: {PLANTED}, Rosalind")
    return study


def members(content: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {info.filename: archive.read(info) for info in archive.infolist()}


def test_while_sealed_there_is_no_archive_and_no_report(store, study):
    for call in (publish.export, publish.report_context):
        with pytest.raises(NotAllowed, match="sealed"):
            call(store, study.id)


def test_the_archive_recomputes_to_the_same_verdict(store, study, tmp_path):
    document = ending.close(store, study.id)
    path = tmp_path / publish.file_name(store, study.id)
    path.write_bytes(publish.export(store, study.id))
    again = recompute(path)
    assert again.identical
    assert again.verdict == document


def test_nobody_can_be_found_in_the_archive(store, study):
    ending.close(store, study.id)
    content = publish.export(store, study.id)
    with store.session() as s:
        people = s.exec(select(Listener)).all()
        organiser = s.get_one(Organiser, s.get_one(Study, study.id).organiser_id)
        mails = s.exec(select(Message.subject)).all()
        times = [*s.exec(select(Vote.received_at)), *s.exec(select(Verdict.concluded_at))]
        times += [time for row in people for time in (
            row.created_at, row.opened_at, row.consented_at, row.checked_at, row.finished_at
        ) if time]  # fmt: skip
        links = [store.sealer.open(row.link_sealed) for row in people if row.link_sealed]
    assert any(row.address == PLANTED for row in people), "there is somebody to be found"
    assert links
    secrets = {
        PLANTED, "Rosalind", "Wrenfield", "planted.example", "Call me",
        organiser.address, "127.0.0.1", "testclient",
        *(row.address for row in people), *(row.link_hash for row in people), *links, *mails,
        *study.links, study.open_link, study.code,
    }  # fmt: skip
    files = members(content)
    assert set(files) >= {"votes.csv", "listeners.csv", "plan.json", "verdict.json"}
    for name, data in {**files, "the zip itself": content}.items():
        text = data.decode("utf-8", "replace").lower()
        for secret in secrets:
            assert secret.lower() not in text, f"{secret} in {name}"
        for time in times:
            for shape in ("%H:%M:%S", "%Y-%m-%d", "%d.%m.%Y", "%Y%m%d"):
                assert time.strftime(shape) not in text, f"{time} in {name}"
            # A day may well stand in a file name or a count by chance; a whole second cannot.
            assert str(int(time.timestamp())) not in text, f"{time} in {name}"
    codes = {row.code for row in people}
    assert all(code in files["listeners.csv"].decode() for code in codes)


def test_the_archive_carries_no_time_of_its_own(store, study):
    ending.close(store, study.id)
    first = publish.export(store, study.id)
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    assert publish.export(store, study.id) == first


def test_the_archives_name_is_plain(store, study):
    with store.session() as s:
        row = s.get_one(Study, study.id)
        row.title = 'Zithers: "../../etc" \r\nX: ¼ ' + "x" * 200
        s.add(row)
        s.commit()
    name = publish.file_name(store, study.id)
    assert re.fullmatch(r"fair-hearing-[a-z0-9-]{1,48}-[0-9a-f]{8}\.zip", name)


def test_the_plans_bytes_have_the_plans_hash(store, study):
    import hashlib

    content = publish.plan_bytes(store, study.id)
    assert hashlib.sha256(content).hexdigest() == read_plan(study.plan).sha256


def test_the_report_reads_what_was_concluded(store, study):
    document = ending.close(store, study.id)
    report = publish.report_context(store, study.id)["report"]
    assert " ".join(report.headline) == told(publish.plan_of(store, study.id), document).headline
    assert report.organiser == "Larkfield Pickups"
    assert re.fullmatch(r"plan locked \d+ \w+ \d{4}, votes \d+ \w+ \d{4}( to .*)?", report.dates)
