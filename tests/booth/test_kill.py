"""kill -9 in the middle of 500 votes: each acknowledged vote is there afterwards, once."""

import json
import threading
import time
import urllib.error
import urllib.request
import uuid
from collections import Counter
from pathlib import Path

from real_server import Server
from small_study import build
from sqlmodel import select

from panel.settings import load
from panel.stages.listen import visit
from panel.store.opening import open_store
from panel.store.tables import Trial, Vote

LISTENERS = 20
PER_LISTENER = 25
KILLS_AT = (100, 260, 400)  # acknowledged votes


def test_each_acknowledged_vote_survives_kill_9_once(tmp_path: Path) -> None:
    store = open_store(load(data=tmp_path))
    study = build(store, procedures=("abx",), votes=PER_LISTENER - 1, listeners=LISTENERS)
    for link in study.links:
        visit.consent(store, link)
    server = Server(tmp_path)
    server.start()
    url = server.url

    acknowledged: dict[str, tuple[str, int, int]] = {}
    lost_answers: list[str] = []  # sent, and the connection died before the answer came
    lock = threading.Lock()

    def booth(index: int, link: str) -> None:
        number = 1
        own = str(uuid.uuid4())
        while number <= PER_LISTENER:
            answer = (index + number) % 2
            body = {
                "client_id": own, "trial": number, "answer": ("one", "two")[answer],
                "plays": 3, "seconds": 11, "notes": {},
            }  # fmt: skip
            request = urllib.request.Request(
                f"{url}/listen/{link}/vote", json.dumps(body).encode(),
                {"Content-Type": "application/json", "Accept": "application/json"},
            )  # fmt: skip
            try:
                with urllib.request.urlopen(request, timeout=60) as reply:
                    assert json.loads(reply.read())["saved"] == number
            except urllib.error.HTTPError:
                raise  # a refusal would be our own mistake
            except OSError:
                with lock:
                    lost_answers.append(own)
                time.sleep(0.05)
                continue  # the very same vote again, as the booth's queue does
            with lock:
                acknowledged[own] = (link, number, answer)
            number, own = number + 1, str(uuid.uuid4())

    threads = [
        threading.Thread(target=booth, args=(index, link)) for index, link in enumerate(study.links)
    ]
    for thread in threads:
        thread.start()
    for kill_at in KILLS_AT:
        while len(acknowledged) < kill_at:
            assert any(thread.is_alive() for thread in threads), "the booths gave up"
            time.sleep(0.002)
        server.kill()
        with lock:
            told = dict(acknowledged)
        # What was told before the kill is on the disk now, before anything is sent again.
        with open_store(load(data=tmp_path)).session() as s:
            on_disk = {vote.client_id for vote in s.exec(select(Vote))}
        assert set(told) <= on_disk
        server.start()
    for thread in threads:
        thread.join()
    server.stop()

    assert lost_answers, "no answer was ever cut off: the kills hit nothing"
    with store.session() as s:
        votes = list(s.exec(select(Vote)))
        trials = {trial.id: trial for trial in s.exec(select(Trial))}
    assert len(acknowledged) == LISTENERS * PER_LISTENER == 500
    assert Counter(vote.client_id for vote in votes) == Counter(acknowledged.keys())
    for vote in votes:
        _, number, answer = acknowledged[vote.client_id]
        assert (trials[vote.trial_id].number, vote.answer) == (number, answer)
    assert sorted(vote.sequence for vote in votes) == list(range(1, 501))
