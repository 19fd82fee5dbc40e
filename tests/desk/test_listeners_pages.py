"""The pages of listeners and mail, as each of the cast sees them."""

import html
import re

import pytest
from sqlmodel import select
from voting_cast import CAST, Desk, desk_in, vote

from panel.stages.listen import withdraw
from panel.stages.listeners import invite
from panel.store.tables import Listener, Message, Study


@pytest.fixture
def desk(tmp_path) -> Desk:
    return desk_in(tmp_path, listeners=2)


def ids(desk: Desk) -> dict[str, str]:
    """An invited listener's id and their mail's id, to be put into addresses."""
    [added] = invite.invite(desk.store, desk.settings, desk.study.id, "ada@example.org").added
    return {"listener": str(added.listener_id), "message": "1"}


PAGES = (
    "/listeners",
    "/listeners/words",
    "/listeners/{listener}/revoke",
    "/outbox",
    "/outbox/{message}",
)
FORMS = (
    "/listeners/invite",
    "/listeners/words",
    "/listeners/remind",
    "/listeners/{listener}/remind",
    "/listeners/{listener}/revoke",
    "/listeners/open-link",
    "/listeners/open-link/close",
    "/outbox/send",
    "/outbox/{message}/again",
)


def _template(rest: str) -> str:
    return rest.replace("{listener}", "{listener_id}").replace("{message}", "{message_id}")


def test_the_cast_is_asked_at_every_address_of_this_router():
    from panel.desk import listeners

    prefix = "/studies/{study_code}"
    known = {("GET", _template(page)) for page in PAGES}
    known |= {("POST", _template(form)) for form in FORMS}
    assert {
        (method, route.path.removeprefix(prefix))
        for route in listeners.router.routes
        for method in route.methods
    } == known


def test_who_may_open_a_page(desk):
    known = ids(desk)
    for page in PAGES:
        where = desk.href(page.format(**known))
        answers = {who: desk[who].get(where, follow_redirects=False) for who in CAST}
        assert answers["organiser"].status_code == 200
        assert answers["other_organiser"].status_code == 404
        for who in ("listener", "other_listener", "stranger"):
            assert answers[who].status_code == 303
            assert answers[who].headers["location"].startswith("/desk/sign-in")
        for who in CAST[1:]:
            assert "ada@example.org" not in answers[who].text


@pytest.mark.parametrize("who", CAST[1:])
def test_nobody_else_changes_anything(desk, who):
    known = ids(desk)
    for form in FORMS:
        answer = desk.post(
            form.format(**known), who=who, addresses="eve@example.org", invitation="x"
        )
        assert answer.status_code in ((404,) if who == "other_organiser" else (303, 403))
    assert unchanged(desk)


def test_without_its_token_no_form_counts(desk):
    known = ids(desk)
    for form in FORMS:
        answer = desk.organiser.post(
            desk.href(form.format(**known)), data={"csrf": "wrong", "addresses": "eve@example.org"}
        )
        assert answer.status_code == 403
    assert unchanged(desk)


def unchanged(desk: Desk) -> bool:
    """Whether nothing has happened since `ids`."""
    with desk.store.session() as s:
        listeners = s.exec(select(Listener)).all()
        study = s.get_one(Study, desk.study.id)
        return (
            len(listeners) == 3
            and all(row.revoked_at is None for row in listeners)
            and len(s.exec(select(Message)).all()) == 1
            and study.invitation_words == ""
            and study.open_link_sealed is None
        )


def test_inviting_says_who_was_taken_who_was_there_and_who_was_refused(desk):
    answer = desk.post(
        "/listeners/invite", addresses="ada@example.org, listener1@example.org\n<b>bo</b>"
    )
    assert answer.status_code == 200
    text = html.unescape(answer.text)
    assert "1 person invited." in text
    assert "pasted twice: listener1@example.org" in text
    assert "no @ in it" in text
    assert "<b>bo</b>" not in answer.text, "what was pasted is shown as text"
    assert "&lt;b&gt;bo&lt;/b&gt;" in answer.text
    field = re.search(r"<textarea[^>]*>(.*?)</textarea>", answer.text, re.S)
    assert "ada@example.org" not in field.group(1), "only what was refused stands there again"


def test_an_empty_paste_comes_back_with_a_sentence(desk):
    answer = desk.post("/listeners/invite", addresses=" ,\n")
    assert answer.status_code == 400
    assert "no address in what you pasted" in answer.text


def test_before_the_lock_the_page_says_lock_first(tmp_path):
    desk = desk_in(tmp_path, listeners=0, locked=False)
    assert "Lock the plan first" in desk.organiser.get(desk.href("/listeners")).text
    answer = desk.post("/listeners/invite", addresses="ada@example.org")
    assert answer.status_code == 409
    assert "Lock the plan first" in answer.text
    with desk.store.session() as s:
        assert s.exec(select(Listener)).all() == []


def test_a_mail_can_be_read_and_its_link_copied(desk):
    desk.post("/listeners/invite", addresses="ada@example.org")
    page = desk.organiser.get(desk.href("/outbox/1")).text
    link = re.search(r'<code id="link-text">([^<]+)</code>', page).group(1)
    assert desk["stranger"].get(link.removeprefix("https://panel.example.org")).status_code == 200
    assert 'data-copy="link-text"' in page
    assert "What is kept" in page
    by_hand = html.unescape(re.search(r'href="(mailto:[^"]+)"', page).group(1))
    assert by_hand.startswith("mailto:ada@example.org?subject=")
    assert "%0D%0A" in by_hand, "RFC 6068, section 5: line breaks are %0D%0A"


def test_a_revoked_link_opens_nothing_from_the_next_moment_on(desk):
    listener = ids(desk)["listener"]
    page = desk.organiser.get(desk.href("/outbox/1")).text
    link = re.search(r'<code id="link-text">([^<]+)</code>', page).group(1)
    path = link.removeprefix("https://panel.example.org")
    assert desk["stranger"].get(path).status_code == 200
    answer = desk.post(f"/listeners/{listener}/revoke")
    assert answer.status_code == 303
    assert desk["stranger"].get(path).status_code == 410
    assert "does not work any more" in desk.organiser.get(desk.href("/outbox/1")).text
    assert link not in desk.organiser.get(desk.href("/outbox/1")).text.split("letter")[0]


def test_the_open_link_is_shown_again_and_can_be_closed(desk):
    desk.post("/listeners/open-link")
    page = desk.organiser.get(desk.href("/listeners")).text
    link = re.search(r'<code id="open-link-text">([^<]+)</code>', page).group(1)
    path = link.removeprefix("https://panel.example.org")
    assert desk["stranger"].get(path).status_code == 200
    desk.post("/listeners/open-link/close")
    assert "open-link-text" not in desk.organiser.get(desk.href("/listeners")).text
    assert desk["stranger"].get(path).status_code == 404


@pytest.mark.parametrize("keep", [True, False])
def test_the_organiser_is_told_that_addresses_of_the_withdrawn_are_not_known_any_more(desk, keep):
    assert "withdrawn" not in desk.organiser.get(desk.href("/listeners")).text
    link = desk.study.links[0]
    vote(desk.store, link)
    withdraw.withdraw(desk.store, link, keep_answers=keep)
    page = desk.organiser.get(desk.href("/listeners")).text
    assert "1 person has withdrawn." in page
    assert "leave out whoever told you so" in page
    audience = invite.audience(desk.store, desk.settings, desk.study.id)
    assert (audience.withdrew, audience.joined) == (1, 0), "nobody came by the open link"


def test_no_page_joins_a_person_to_the_code_of_the_results(desk):
    for link in desk.study.links:
        vote(desk.store, link)
    ids(desk)
    with desk.store.session() as s:
        codes = s.exec(select(Listener.code)).all()
    assert len(codes) == 3
    for page in ("/listeners", "/outbox", "/outbox/1", "/watch", "/listeners/1/revoke"):
        answer = desk.organiser.get(desk.href(page))
        assert answer.status_code == 200
        for code in codes:
            assert code not in answer.text


def test_own_words_are_kept_and_shown_in_the_whole_mail(desk):
    answer = desk.post("/listeners/words", invitation="We build <zithers>.", privacy="")
    assert answer.status_code == 303
    page = desk.organiser.get(answer.headers["location"]).text
    assert "Kept." in page
    assert page.count("We build &lt;zithers&gt;.") == 2, "in the field, and in the mail"
    too_long = desk.post("/listeners/words", invitation="x" * 5000)
    assert too_long.status_code == 400
    assert "x" * 5000 in too_long.text, "nothing typed is lost"


def test_declining_takes_a_press_not_a_visit(desk):
    link = desk.study.links[0]
    page = desk["stranger"].get(f"/decline/{link}")
    assert page.status_code == 200
    with desk.store.session() as s:
        assert all(row.declined_at is None for row in s.exec(select(Listener)))
    # RFC 8058, section 3.2: one POST with this body, without cookies, is enough.
    answer = desk["stranger"].post(f"/decline/{link}", data={"List-Unsubscribe": "One-Click"})
    assert answer.status_code == 200
    assert desk["stranger"].get(f"/listen/{link}").status_code == 410
    assert desk["stranger"].get("/decline/no-such-link").status_code == 404
    assert "declined" in desk.organiser.get(desk.href("/listeners")).text


def test_mail_that_cannot_go_out_says_what_to_set(tmp_path):
    desk = desk_in(tmp_path, listeners=0, settings={"smtp_host": "mail.example.org"})
    assert "FAIRHEARING_MAIL_FROM" in desk.organiser.get(desk.href("/listeners")).text


def test_sending_held_mail_without_a_mail_server_is_refused(desk):
    desk.post("/listeners/invite", addresses="ada@example.org")
    assert desk.post("/outbox/send").status_code == 409


def test_a_mail_of_another_study_is_not_found(desk):
    from small_study import build

    other = build(desk.store, listeners=0)
    invite.invite(desk.store, desk.settings, other.id, "ada@example.org")
    assert desk.organiser.get(desk.href("/outbox/1")).status_code == 404
    assert desk.post("/outbox/1/again").status_code == 404
