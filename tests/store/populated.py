"""A small data folder in which every table has rows, made through the stages. All data invented.

    PYTHONPATH=.:tests/booth:tests/desk:tests/store python -m populated FILE.sql.gz

writes its database as SQL. So `first_schema.sql.gz` was made. Until the first release, whoever
changes what is stored makes it anew; from then on it stays as it is, and migrations carry it over.
"""

import gzip
import sqlite3
import sys
import tempfile
import uuid
from pathlib import Path

import numpy as np
import recordings
import small_study
from recordings import Made
from sqlmodel import col, select

from panel.audio.leader import file as leader
from panel.errors import NotAllowed
from panel.stages import accounts, studies
from panel.stages.conclude import ending
from panel.stages.listen import check_results, visit, votes_in, withdraw
from panel.stages.listeners import invite, joining, letters
from panel.stages.plan import lock
from panel.stages.takes import chain_log, channel_choice, excerpts, intake
from panel.store.tables import Message

SECRET = "a secret for tests only"  # what recordings.py makes its settings with


def populate(folder: Path) -> Made:
    """Fill `folder`: one study invited to, one of takes only, one voted in and concluded."""
    made = recordings.ready(folder)
    _people(made)
    _invited(made)
    _takes_only(made)
    _concluded(made)
    return made


def _people(made: Made) -> None:
    accounts.enter(made.store, accounts.one_time_code(made.store, "maker@larkfield.example"))
    accounts.one_time_code(made.store, "maker@larkfield.example")
    second = accounts.add_organiser(made.store, "second@larkfield.example")
    accounts.sign_out(made.store, second)
    try:
        accounts.check_password(made.store, "maker@larkfield.example", "epoxy")
    except NotAllowed:
        return
    raise AssertionError("a wrong password was taken")


def _invited(made: Made) -> None:
    lock.lock(made.store, made.id)
    letters.set_words(made.store, made.id, "Please listen.", "Kept for a year.")
    asked = "one@listen.example\ntwo@listen.example\nthree@listen.example"
    invite.invite(made.store, made.settings, made.id, asked)
    with made.store.session() as s:  # as a mail server would have answered
        sent, refused, _ = s.exec(select(Message).order_by(col(Message.id))).all()
        sent.sent_at, sent.attempts = made.store.now(), 1
        refused.next_attempt_at, refused.attempts, refused.error = made.store.now(), 2, "Later."
        s.commit()
    link = invite.open_link(made.store, made.settings, made.id)
    visit.consent(made.store, joining.join(made.store, link.rsplit("/", 1)[1]))


def _takes_only(made: Made) -> None:
    code = studies.create(made.store, made.organiser, "Zither, “spring”", "Ist das zu hören? 聴")
    study_id = studies.overview(made.store, made.organiser, code).id
    with tempfile.TemporaryDirectory() as kept:
        played = Path(kept) / "music.wav"
        played.write_bytes(recordings.file(recordings.music(rate=48_000), rate=48_000))
        led_in = leader.made(music=played, length="short").content
    intake.add_take(made.store, study_id, "led in.wav", [led_in])
    four = recordings.file(np.stack([recordings.music(seconds=1.0)] * 4, axis=1))
    limits = intake.Limits()
    first = channel_choice.take_or_wait(made.store, study_id, "four.wav", [four], limits=limits)
    channel_choice.choose(made.store, study_id, first.id, (1, 2), limits=limits)
    channel_choice.take_or_wait(made.store, study_id, "four.wav", [four], limits=limits)
    hours = chain_log.add_factor(made.store, study_id, "hours", "numeric", "h", 0.5)
    chain_log.log_take(made.store, study_id, "t01", {hours: "1,5"}, notes="Freshly glued.")
    excerpts.add_excerpt(made.store, study_id, 0.25, 0.75, label="the bridge")


def _concluded(made: Made) -> None:
    asked = {"ties": True, "reasons": True, "attributes": ["clearer", "warmer"]}
    study = small_study.build(
        made.store, procedures=("abx", "preference"), votes=2, listeners=4, preference=asked
    )
    stays, leaves_answers, takes_all, declines = study.links
    invite.decline(made.store, declines)
    for link in (stays, leaves_answers, takes_all):
        visit.enter(made.store, link)
        visit.consent(made.store, link)
        visit.declare_playback(made.store, link, "headphones", 48_000)
        visit.mark_done(made.store, link, "level")
        check_results.record_check(made.store, link, "passed")
        while (trial := visit.next_trial(made.store, link)) is not None:
            why = {"reason": "Wärmer, I think.", "ticked": ["warmer"]} if trial.reasons else {}
            votes_in.vote(
                made.store, link, trial.number, str(uuid.uuid4()), "one", plays=3, seconds=12,
                notes={"stalls": 1}, **why,
            )  # fmt: skip
    visit.finish(made.store, stays, "A remark.")
    withdraw.withdraw(made.store, leaves_answers, keep_answers=True)
    withdraw.withdraw(made.store, takes_all, keep_answers=False)
    ending.close(made.store, study.id)


def as_sql(database: Path) -> str:
    """The SQL that makes `database` again."""
    connection = sqlite3.connect(database)
    try:
        return "\n".join(connection.iterdump()) + "\n"
    finally:
        connection.close()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        populate(Path(folder))
        sql = as_sql(Path(folder) / "panel.sqlite").encode()
    Path(sys.argv[1]).write_bytes(gzip.compress(sql, mtime=0))
