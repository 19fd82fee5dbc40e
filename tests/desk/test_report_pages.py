"""The verdict page: sealed, then ended by its organiser, then open to its organiser."""

import io
import zipfile

import pytest
from voting_cast import CAST, Desk, desk_in, fewer_wanted, guessing, rightly, vote

from panel.analysis.wording.told import told
from panel.stages.conclude import ending, publish

PAGES = ("", "/end", "/report", "/reasons", "/export.zip", "/plan.json")


@pytest.fixture
def desk(tmp_path) -> Desk:
    desk = desk_in(tmp_path, procedures=("abx",), listeners=3, votes=2)
    fewer_wanted(desk.store, desk.study, 2)
    return desk


def test_who_may_come_here_before_and_after_the_end(desk):
    from panel.desk import report

    assert {
        route.path.removeprefix("/studies/{study_code}/verdict")
        for route in report.router.routes
        if "GET" in route.methods
    } == set(PAGES)
    vote(desk.store, desk.study.links[0])
    for closed in (False, True):
        if closed:
            ending.close(desk.store, desk.study.id)
        for page in PAGES:
            where = desk.href("/verdict" + page)
            allowed = desk.organiser.get(where, follow_redirects=False).status_code
            if page in ("/report", "/reasons", "/export.zip"):
                assert allowed == (200 if closed else 403)
            else:
                assert allowed == (303 if closed and page == "/end" else 200)
            assert desk["other_organiser"].get(where).status_code == 404
            for who in CAST[2:]:
                answer = desk[who].get(where, follow_redirects=False)
                assert answer.status_code == 303
                assert answer.headers["location"].startswith("/desk/sign-in")


@pytest.mark.parametrize("who", CAST[1:])
def test_nobody_else_ends_the_voting(desk, who):
    vote(desk.store, desk.study.links[0])
    answer = desk.post("/verdict/end", who=who)
    assert answer.status_code in ((404,) if who == "other_organiser" else (303, 403))
    assert ending.standing(desk.store, desk.study.id).sealed


def test_without_its_token_the_form_ends_nothing(desk):
    vote(desk.store, desk.study.links[0])
    answer = desk.organiser.post(desk.href("/verdict/end"), data={"csrf": "wrong"})
    assert answer.status_code == 403
    assert ending.standing(desk.store, desk.study.id).sealed


def test_a_visit_ends_nothing(desk):
    vote(desk.store, desk.study.links[0])
    assert desk.organiser.get(desk.href("/verdict/end")).status_code == 200
    assert ending.standing(desk.store, desk.study.id).sealed


def test_the_sealed_page_says_what_is_missing_and_ending_early_asks_first(desk):
    assert "0 of 6 planned votes are in" in desk.organiser.get(desk.href("/verdict")).text
    vote(desk.store, desk.study.links[0])
    page = desk.organiser.get(desk.href("/verdict")).text
    assert "3 of 6 planned votes are in" in page
    assert "End voting all the same" in page
    asked = desk.organiser.get(desk.href("/verdict/end")).text
    assert "before the planned votes are in?" in asked
    assert "cannot be undone" in asked
    vote(desk.store, desk.study.links[1])
    assert "All 6 planned votes are in" in desk.organiser.get(desk.href("/verdict")).text


def test_ending_without_votes_says_so_and_ends_nothing(desk):
    answer = desk.post("/verdict/end")
    assert answer.status_code == 409
    assert "no vote yet" in answer.text
    assert ending.standing(desk.store, desk.study.id).sealed


def test_the_organiser_ends_the_voting_and_reads_the_verdict(desk):
    for link in desk.study.links[:2]:
        vote(desk.store, link, rightly)
    answer = desk.post("/verdict/end")
    assert answer.status_code == 303
    assert desk.post("/verdict/end").status_code == 303, "twice does no harm"
    plan = publish.plan_of(desk.store, desk.study.id)
    document = told(plan, ending.verdict(desk.store, desk.study.id))
    import html

    for page in ("/verdict", "/verdict/report"):
        text = html.unescape(desk.organiser.get(desk.href(page)).text)
        assert document.headline in text
        for question in plan.questions:
            assert document.contrasts[question.id].sentence in text
        assert "/verdict/export.zip" in text
    late = desk["other_listener"].get(f"/listen/{desk.study.links[2]}")
    assert late.status_code == 410


def test_if_the_analysis_fails_the_page_says_so_and_voting_goes_on(desk, monkeypatch):
    from panel.analysis import verdict
    from panel.errors import BadInput

    vote(desk.store, desk.study.links[0])

    def fail(*_):
        raise BadInput("The table contradicts itself.", hint="Tell whoever runs this server.")

    monkeypatch.setattr(verdict, "conclude", fail)
    answer = desk.post("/verdict/end")
    assert answer.status_code == 400
    assert "The table contradicts itself." in answer.text
    assert ending.standing(desk.store, desk.study.id).sealed
    assert vote(desk.store, desk.study.links[1]) == 3


def test_the_archive_comes_as_a_file_and_is_not_kept_on_the_way(desk):
    for link in desk.study.links:
        vote(desk.store, link, guessing)
    ending.close(desk.store, desk.study.id)
    answer = desk.organiser.get(desk.href("/verdict/export.zip"))
    assert answer.headers["content-type"] == "application/zip"
    assert answer.headers["content-disposition"].startswith('attachment; filename="fair-hearing-')
    assert answer.headers["cache-control"] == "no-store"
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        assert archive.testzip() is None
        plan = archive.read("plan.json")
    assert desk.organiser.get(desk.href("/verdict/plan.json")).content == plan


def test_before_the_lock_the_page_says_what_comes_first(tmp_path):
    desk = desk_in(tmp_path, listeners=0, locked=False)
    assert "First the plan is locked" in desk.organiser.get(desk.href("/verdict")).text
    for page in ("/verdict/end", "/verdict/plan.json"):
        assert desk.organiser.get(desk.href(page)).status_code == 409
