"""Inviting: links, mails, reminders, revoking, declining, the open link."""

import re
from datetime import timedelta

import pytest
from small_study import build
from sqlmodel import select
from voting_cast import settings_in, vote

from panel.errors import BadInput, Conflict, Gone, NotFound
from panel.post import outbox
from panel.stages.listen import visit
from panel.stages.listeners import invite, joining, letters
from panel.store.opening import open_store
from panel.store.sealing import code_hash
from panel.store.tables import Listener, Message, Study
from panel.study.conditions import Condition
from panel.study.plan import Contrast, Exclusion, Plan, PlanExcerpt, Stop
from panel.study.plan_reading import read_plan


@pytest.fixture
def settings(tmp_path):
    return settings_in(tmp_path)


@pytest.fixture
def store(settings):
    return open_store(settings)


@pytest.fixture
def study(store):
    return build(store, listeners=0)


def rows(store) -> list[Listener]:
    with store.session() as s:
        return list(s.exec(select(Listener).order_by(Listener.id)))


def days_pass(store, days: float) -> None:
    with store.session() as s:
        for row in s.exec(select(Message)):
            row.created_at -= timedelta(days=days)
            row.sent_at = row.sent_at - timedelta(days=days) if row.sent_at else None
            s.add(row)
        s.commit()


def code_of(link: str) -> str:
    return link.rsplit("/", 1)[1]


def test_each_address_gets_a_listener_a_link_and_a_mail(store, settings, study):
    found = invite.invite(
        store, settings, study.id, "ada@example.org\nBo <bo@example.org>, ada@example.org; nobody"
    )
    assert [added.address for added in found.added] == ["ada@example.org", "bo@example.org"]
    assert found.duplicates == ("ada@example.org",)
    assert [text for text, _ in found.refused] == ["nobody"]
    assert len(rows(store)) == 2
    assert {view.address for view in invite.outbox(store, study.id)} == {
        "ada@example.org",
        "bo@example.org",
    }
    for added in found.added:
        link = invite.personal_link(store, settings, added.listener_id)
        assert link.startswith("https://panel.example.org/listen/")
        assert visit.enter(store, code_of(link)).step == "welcome"


def test_links_are_long_random_and_neither_they_nor_mail_bodies_lie_open(
    store, settings, study, tmp_path
):
    added = invite.invite(store, settings, study.id, "ada@example.org, bo@example.org").added
    codes = {code_of(invite.personal_link(store, settings, a.listener_id)) for a in added}
    assert len(codes) == 2
    for code in codes:
        assert len(code) * 6 >= 160, "base64: six bits a sign"
    store.engine.dispose()
    kept = b"".join(path.read_bytes() for path in tmp_path.glob("panel.sqlite*"))
    assert b"ada@example.org" in kept, "the search looks in the right place"
    for code in codes:
        assert code.encode() not in kept
        assert code_hash(code).encode() in kept
    assert b"volume low" not in kept


def test_the_short_code_is_plain_and_unlike_the_link(store, settings, study):
    people = ", ".join(f"listener{n}@example.org" for n in range(40))
    added = invite.invite(store, settings, study.id, people).added
    codes = [row.code for row in rows(store)]
    assert len(set(codes)) == 40
    for row, one in zip(rows(store), added, strict=True):
        assert re.fullmatch(r"[b-df-hj-kmnp-tv-z][2-9b-df-hj-kmnp-tv-z]{5}", row.code)
        assert row.code not in invite.personal_link(store, settings, one.listener_id)


def test_somebody_invited_before_is_named_and_keeps_their_link(store, settings, study):
    [first] = invite.invite(store, settings, study.id, "ada@example.org").added
    link = invite.personal_link(store, settings, first.listener_id)
    again = invite.invite(store, settings, study.id, "ADA@example.org, bo@example.org")
    assert again.duplicates == ("ADA@example.org",)
    assert [added.address for added in again.added] == ["bo@example.org"]
    assert invite.personal_link(store, settings, first.listener_id) == link
    assert len(invite.outbox(store, study.id)) == 2


@pytest.mark.parametrize("what", ["invite", "remind", "open_link", "specimen"])
def test_nobody_is_invited_before_the_lock(store, settings, what):
    study = build(store, listeners=0, locked=False)
    calls = {
        "invite": lambda: invite.invite(store, settings, study.id, "ada@example.org"),
        "remind": lambda: invite.remind(store, settings, study.id),
        "open_link": lambda: invite.open_link(store, settings, study.id),
        "specimen": lambda: letters.specimen(store, settings, study.id),
    }
    with pytest.raises(Conflict, match="before the plan is locked") as refused:
        calls[what]()
    assert "Lock the plan first" in refused.value.hint
    assert rows(store) == []
    assert invite.outbox(store, study.id) == []


def test_nobody_is_invited_after_voting_has_ended(store, settings, study):
    with store.session() as s:
        row = s.get_one(Study, study.id)
        row.closed_at = store.now()
        s.add(row)
        s.commit()
    with pytest.raises(Conflict, match="has ended"):
        invite.invite(store, settings, study.id, "ada@example.org")


def test_an_invitation_is_all_or_nothing(store, settings, study, monkeypatch):
    written = []

    def break_at_third(*args, **kwargs):
        written.append(args)
        if len(written) == 3:
            raise OSError("disk full")
        return real(*args, **kwargs)

    real = outbox.write
    monkeypatch.setattr(outbox, "write", break_at_third)
    with pytest.raises(OSError, match="disk full"):
        invite.invite(store, settings, study.id, "ada@example.org, bo@example.org, cy@example.org")
    assert rows(store) == []
    assert invite.outbox(store, study.id) == []


def test_a_revoked_link_is_dead_at_once_and_its_mail_stays_here(store, settings, study):
    [added] = invite.invite(store, settings, study.id, "ada@example.org").added
    code = code_of(invite.personal_link(store, settings, added.listener_id))
    invite.revoke(store, study.id, added.listener_id)
    with pytest.raises(Gone):
        visit.enter(store, code)
    with pytest.raises(Gone):
        visit.consent(store, code)
    assert [view.state for view in invite.outbox(store, study.id)] == ["failed"]
    assert invite.audience(store, settings, study.id).listeners[0].state == "revoked"


def test_a_revoked_address_can_be_invited_again_and_goes_on_where_it_stopped(
    store, settings, study
):
    [added] = invite.invite(store, settings, study.id, "ada@example.org").added
    old = code_of(invite.personal_link(store, settings, added.listener_id))
    assert vote(store, old, most=2) == 2
    invite.revoke(store, study.id, added.listener_id)
    [again] = invite.invite(store, settings, study.id, "ada@example.org").added
    assert again.listener_id == added.listener_id
    new = code_of(invite.personal_link(store, settings, again.listener_id))
    assert new != old
    with pytest.raises(NotFound):
        visit.enter(store, old)
    assert visit.enter(store, new).answered == 2
    view, written, alive = outbox.opened(store, study.id, invite.outbox(store, study.id)[-1].id)
    assert view.state == "failed"
    assert old in written.link
    assert not alive, "the old mail says that its link is dead"


def test_the_studies_of_others_are_out_of_reach(store, settings, study):
    other = build(store, listeners=1)
    stranger = rows(store)[0]
    with pytest.raises(NotFound):
        invite.revoke(store, study.id, stranger.id)
    with pytest.raises(NotFound):
        invite.remind(store, settings, study.id, stranger.id)
    assert visit.enter(store, other.links[0]).step == "welcome"


def test_declining_ends_the_link_and_all_mail_and_is_respected(store, settings, study):
    [added] = invite.invite(store, settings, study.id, "ada@example.org").added
    code = code_of(invite.personal_link(store, settings, added.listener_id))
    assert invite.may_decline(store, code)
    invite.decline(store, code)
    invite.decline(store, code)
    assert not invite.may_decline(store, code)
    with pytest.raises(Gone):
        visit.enter(store, code)
    again = invite.invite(store, settings, study.id, "ada@example.org")
    assert again.added == ()
    assert "declined" in again.refused[0][1]
    days_pass(store, 30)
    assert invite.remind(store, settings, study.id).reminded == ()
    with pytest.raises(NotFound):
        invite.decline(store, "no such link")


def test_a_reminder_goes_only_where_it_does_not_nag(store, settings, study):
    people = "ada@example.org, bo@example.org, cy@example.org, di@example.org"
    added = {a.address[:2]: a.listener_id for a in invite.invite(
        store, settings, study.id, people).added}  # fmt: skip
    assert invite.remind(store, settings, study.id).reminded == (), "all were just invited"
    with pytest.raises(Conflict, match="two days"):
        invite.remind(store, settings, study.id, added["ad"])
    vote(store, code_of(invite.personal_link(store, settings, added["bo"])))
    vote(store, code_of(invite.personal_link(store, settings, added["cy"])), most=1)
    invite.revoke(store, study.id, added["di"])
    days_pass(store, 3)
    first = invite.remind(store, settings, study.id)
    assert first.reminded == ("ada@example.org", "cy@example.org")
    assert first.passed_over == 2
    assert invite.remind(store, settings, study.id).reminded == (), "not twice at once"
    days_pass(store, 3)
    assert len(invite.remind(store, settings, study.id).reminded) == 2
    days_pass(store, 3)
    assert invite.remind(store, settings, study.id).reminded == (), "two are enough"
    with pytest.raises(Conflict, match="nagging"):
        invite.remind(store, settings, study.id, added["ad"])
    with pytest.raises(Conflict, match="finished"):
        invite.remind(store, settings, study.id, added["bo"])


def test_a_reminder_carries_the_same_link(store, settings, study):
    [added] = invite.invite(store, settings, study.id, "ada@example.org").added
    days_pass(store, 3)
    invite.remind(store, settings, study.id, added.listener_id)
    newest = invite.outbox(store, study.id)[0]
    assert newest.kind == "reminder"
    _, written, alive = outbox.opened(store, study.id, newest.id)
    assert written.link == invite.personal_link(store, settings, added.listener_id)
    assert alive


def test_the_open_link_gives_each_browser_a_code_until_it_is_closed(store, settings, study):
    link = invite.open_link(store, settings, study.id)
    assert link.startswith("https://panel.example.org/join/")
    assert invite.open_link(store, settings, study.id) == link, "shown again, not made anew"
    assert invite.audience(store, settings, study.id).open_link == link
    first, second = (joining.join(store, code_of(link)) for _ in range(2))
    assert first != second
    assert invite.audience(store, settings, study.id).joined == 2
    invite.close_open_link(store, study.id)
    with pytest.raises(NotFound):
        joining.join(store, code_of(link))
    assert visit.enter(store, first).step == "welcome", "whoever joined goes on"
    assert invite.open_link(store, settings, study.id) != link


def test_mails_state_what_the_plan_asks_for(store, settings, study):
    letters.set_words(store, study.id, "I build zithers.\r\n\r\nThank you\x00!", "No cookies.")
    specimen = letters.specimen(store, settings, study.id)
    assert f"{read_plan(study.plan).votes_per_listener} short comparisons" in specimen.text
    assert f"{letters.minutes_needed(read_plan(study.plan))} minutes" in specimen.text
    assert "I build zithers.\n\nThank you!" in specimen.text
    assert "No cookies." in specimen.text


def test_no_mail_says_what_the_samples_are(store, settings, study):
    invite.invite(store, settings, study.id, "ada@example.org")
    days_pass(store, 3)
    invite.remind(store, settings, study.id)
    secrets = {study.plan["study"]["title"], study.plan["study"]["question"], "abx", "triangle"}
    for contrast in study.plan["contrasts"]:
        secrets |= {contrast["name"], *(c["label"] for c in contrast.get("conditions", ()))}
    for take in study.plan["takes"]:
        secrets |= {take["id"], take["sha256"]}
    assert "hide glue" in secrets
    for view in invite.outbox(store, study.id):
        _, written, _ = outbox.opened(store, study.id, view.id)
        # The link is random, and could hold "t01" by chance.
        shown = (written.subject + written.text + written.html).replace(written.link, "")
        for secret in secrets:
            assert secret.lower() not in shown.replace(written.decline, "").lower()


def test_words_without_end_are_refused_and_nothing_is_changed(store, settings, study):
    letters.set_words(store, study.id, "Short.", "")
    with pytest.raises(BadInput, match="longer than"):
        letters.set_words(store, study.id, "x" * 5000, "")
    assert letters.words(store, study.id).invitation == "Short."


def plan_of(votes: int, procedure: str, length: float):
    sides = (Condition("old", ("t01",)), Condition("new", ("t02",)))
    return Plan(
        title="Made up", question="Does it matter?", alpha=0.05, limit=0.25, confidence=0.95,
        stop=Stop("fixed", 10), exclusion=Exclusion(), own_summary=False, schedule_seed="0" * 32,
        factors=(), takes=(), excerpts=(PlanExcerpt("e1", 1.0, 1.0 + length),),
        contrasts=(
            Contrast("q1", "Asked", "question", procedure, sides, votes),
            Contrast("q1-retakes", "Retakes", "retake_control", procedure, of="q1"),
        ),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("votes", "procedure", "length", "minutes"),
    [
        # By hand: 16 trials of 30 s are 8 min, and 5 min around them: 13, said as 15.
        (16, "abx", 5.0, 15),
        # 8 trials of 20 s are 160 s, and 300 s: 7.7 min, said as 8.
        (8, "preference", 5.0, 8),
        # 3 samples 5 s longer, heard once and a half: 22.5 s more a trial; 16 × 52.5 s + 300 s.
        (16, "abx", 10.0, 20),
    ],
)
def test_minutes_are_honest(votes, procedure, length, minutes):
    assert letters.minutes_needed(plan_of(votes, procedure, length)) == minutes
