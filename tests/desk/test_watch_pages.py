"""The watch page and its stream: live counts, and no outcome while sealed."""

import asyncio
import itertools
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import httpx
import pytest
import uvicorn
from sqlmodel import select
from voting_cast import CAST, Desk, desk_in, fewer_wanted, rightly, vote, wrongly

from panel.desk import watch as pages
from panel.desk.shown import watch as shown_watch
from panel.stages.conclude import early_look, ending
from panel.stages.conclude.watch import Progress
from panel.store.tables import Listener, Organiser, Trial


@pytest.fixture
def desk(tmp_path) -> Desk:
    return desk_in(tmp_path, procedures=("abx",), listeners=6, votes=1)


@pytest.mark.parametrize("page", ["/watch", "/watch/look", "/watch/stream"])
def test_who_may_open_it(desk, page):
    if page != "/watch/stream":  # which does not end: the organiser reads it further down
        expected = 403 if page == "/watch/look" else 200
        assert desk.organiser.get(desk.href(page)).status_code == expected
    assert desk["other_organiser"].get(desk.href(page)).status_code == 404
    for who in CAST[2:]:
        answer = desk[who].get(desk.href(page), follow_redirects=False)
        assert answer.status_code == 303


def normal(text: str, desk: Desk) -> str:
    """A page without what differs from one study to the next by chance."""
    text = re.sub(r'value="[0-9a-f]{64}"', "", text.replace(desk.study.code, "STUDY"))
    return re.sub(r"since [\w ,:]+ UTC", "since WHEN", text)


def test_a_page_is_the_same_to_the_letter_whatever_people_answered(tmp_path):
    """Blinding contract 4: "The organiser cannot see outcomes while sealed: not in the desk, the
    export, the API, the event stream, or the counts per answer."""
    seen = []
    for place, answering in enumerate((rightly, wrongly)):
        desk = desk_in(tmp_path / str(place), procedures=("abx",), listeners=3, votes=2)
        for link in desk.study.links:
            vote(desk.store, link, answering)
        with desk.store.session() as s:
            people = s.exec(select(Organiser.address)).all()
        pages_seen = {}
        for page in ("/watch", "/verdict", "/verdict/end", "/listeners", "", "/outbox"):
            answer = desk.organiser.get(desk.href(page))
            assert answer.status_code == 200
            text = normal(answer.text, desk)
            for address in people:  # drawn anew for each study
                text = text.replace(address, "SOMEBODY")
            pages_seen[page] = text
        seen.append(pages_seen)
    assert seen[0] == seen[1]


@pytest.mark.parametrize("page", ["/watch/look", "/verdict/export.zip"])
def test_an_outcome_asked_for_while_sealed_is_refused_with_a_reason(desk, page):
    for link in desk.study.links:
        vote(desk.store, link)
    answer = desk.organiser.get(desk.href(page), headers={"accept": "application/json"})
    assert answer.status_code == 403
    assert "sealed" in answer.json()["error"]["message"]
    assert set(answer.json()["error"]) == {"message", "hint"}


def test_no_key_and_no_take_is_on_any_page_while_sealed(desk):
    for link in desk.study.links:
        vote(desk.store, link)
    with desk.store.session() as s:
        slots = {take for trial in s.exec(select(Trial)) for take in trial.slots}
        codes = s.exec(select(Listener.code)).all()
    assert "t01+check" in slots
    for page in ("/watch", "/verdict", "/verdict/end", "/listeners", "/outbox"):
        text = desk.organiser.get(desk.href(page)).text
        for secret in (*slots, *codes, '"right"', "correct"):
            assert secret not in text


def test_an_anytime_plan_may_be_looked_at(tmp_path):
    desk = desk_in(tmp_path, procedures=("abx",), listeners=2, votes=4, stop="anytime")
    assert desk.organiser.get(desk.href("/watch/look")).status_code == 409, "no vote yet"
    for link in desk.study.links:
        vote(desk.store, link)
    page = desk.organiser.get(desk.href("/watch/look")).text
    [look] = early_look.interim(desk.store, desk.study.id)
    assert f"{look.count} of {look.trials} (100 %" in page
    assert f"{look.e_value:.3g} times" in page
    assert "planned end" in page
    assert "heard" not in page.split("<h2>")[1].replace("heard anything", ""), "no verdict here"


def test_bars_cover_the_time_without_gaps_and_lose_no_vote():
    from datetime import UTC, datetime, timedelta

    start = datetime(2026, 3, 4, 5, tzinfo=UTC)
    for hours in ((0,), (0, 5), (0, 95), (0, 96), (3, 200), (0, 700), (0, 3000)):
        counted = tuple((start + timedelta(hours=h), h + 1) for h in hours)
        width, bars = shown_watch.bars_of(counted)
        assert sum(count for _, count in bars) == sum(count for _, count in counted)
        steps = {later[0] - earlier[0] for earlier, later in itertools.pairwise(bars)}
        assert steps <= {timedelta(hours=width)}
        for at, count in counted:
            [held] = [b for b in bars if b[0] <= at < b[0] + timedelta(hours=width)]
            assert held[1] >= count


def test_the_picture_says_in_words_what_it_shows():
    from datetime import UTC, datetime

    hours = ((datetime(2026, 3, 4, 5, tzinfo=UTC), 7),)
    shown = pages.shown(Progress(3, 0, 0, 0, 2, 2, 1, 0, 7, 40, hours, None, True, False))
    assert shown["numbers"]["planted"] == "shown once five listeners have finished"
    without = pages.shown(Progress(3, 0, 0, 0, 2, 2, 1, 0, 7, 40, hours, None, False, False))
    assert "planted" not in without["numbers"]
    assert 'role="img"' in shown["picture"]
    assert "7 votes since 4 March, 05:00 UTC" in shown["picture"]
    assert shown["numbers"]["votes"] == "7 of 40 planned"


class Server:
    """The application on a real port, in a thread."""

    def __init__(self, app):
        config = uvicorn.Config(app, port=0, log_level="error", timeout_graceful_shutdown=5)
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run)

    def __enter__(self) -> str:
        self.thread.start()
        while not self.server.started:
            time.sleep(0.02)
        port = self.server.servers[0].sockets[0].getsockname()[1]
        return f"http://127.0.0.1:{port}"

    def __exit__(self, *_):
        self.server.should_exit = True
        self.thread.join()


def cookies(desk: Desk) -> dict[str, str]:
    return {"cookie": "; ".join(f"{c.name}={c.value}" for c in desk.organiser.cookies.jar)}


class Events:
    """Reads a stream event by event."""

    def __init__(self, response):
        self.lines = response.iter_lines()

    def next(self) -> tuple[str, dict]:
        name = ""
        for line in self.lines:
            if line.startswith("event: "):
                name = line.removeprefix("event: ")
            elif line.startswith("data: "):
                return name, json.loads(line.removeprefix("data: "))
        raise AssertionError("the stream ended without an event")


def test_the_stream_carries_each_change_and_ends_with_the_voting(desk, monkeypatch):
    monkeypatch.setattr(pages, "LOOK_EVERY_SECONDS", 0.05)
    study = fewer_wanted(desk.store, desk.study, 6)
    with (
        Server(desk.app) as base,
        httpx.stream(
            "GET", base + desk.href("/watch/stream"), headers=cookies(desk), timeout=30
        ) as response,
    ):
        assert response.status_code == 200
        assert response.headers["content-type"].startswith("text/event-stream")
        assert response.headers["x-accel-buffering"] == "no"
        assert response.headers["cache-control"] == "no-store"
        events = Events(response)
        name, first = events.next()
        assert (name, first["numbers"]["votes"]) == ("progress", "0 of 12 planned")
        vote(desk.store, study.links[0], most=1)
        seen = []
        while not seen or seen[-1]["votes"] != "1 of 12 planned":
            seen.append(events.next()[1]["numbers"])
        everything = []
        for link in study.links:
            vote(desk.store, link)
        ending.close(desk.store, study.id)
        name = ""
        while name != "closed":
            name, data = events.next()
            everything.append(data)
        assert everything[-1]["numbers"]["votes"] == "12 of 12 planned"
        assert list(events.lines) == [""], "the stream ends by itself"
        for data in everything:
            assert set(data) == {"numbers", "picture"}
            assert set(data["numbers"]) <= {
                "invited", "joined", "opened", "checked", "finished", "shared", "declined",
                "withdrew", "votes", "planted",
            }  # fmt: skip


def test_a_quiet_stream_sends_a_comment_so_that_no_proxy_closes_it(desk, monkeypatch):
    monkeypatch.setattr(pages, "LOOK_EVERY_SECONDS", 0.02)
    monkeypatch.setattr(pages, "COMMENT_EVERY_SECONDS", 0.05)
    with (
        Server(desk.app) as base,
        httpx.stream(
            "GET", base + desk.href("/watch/stream"), headers=cookies(desk), timeout=30
        ) as response,
    ):
        assert next(line for line in response.iter_lines() if line.startswith(":"))


def test_a_stream_ends_after_a_while_so_that_signing_out_counts(desk, monkeypatch):
    monkeypatch.setattr(pages, "LOOK_EVERY_SECONDS", 0.02)
    monkeypatch.setattr(pages, "LONGEST_SECONDS", 0.1)
    with Server(desk.app) as base:
        answer = httpx.get(base + desk.href("/watch/stream"), headers=cookies(desk), timeout=30)
        assert answer.text.startswith("retry: ")


SERVE = """
import sys
from pathlib import Path
import uvicorn
sys.path[:0] = sys.argv[3:]
from voting_cast import settings_in
from panel.app import create_app
uvicorn.run(create_app(settings_in(Path(sys.argv[1]))), port=int(sys.argv[2]), log_level="error")
"""


def test_an_open_stream_does_not_hold_up_the_servers_end(desk, tmp_path):
    import socket

    here = Path(__file__).resolve().parent.parent
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-W", "ignore", "-c", SERVE, str(desk.settings.data), str(port),
         str(here / "booth"), str(here / "post")],
        cwd=here.parent, env={**os.environ, "PYTHONPATH": str(here.parent)},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    try:
        for _ in range(600):
            try:
                httpx.get(f"http://127.0.0.1:{port}/healthz")
                break
            except httpx.TransportError:
                assert server.poll() is None, server.stdout.read()
                time.sleep(0.1)
        url = f"http://127.0.0.1:{port}" + desk.href("/watch/stream")
        with httpx.stream("GET", url, headers=cookies(desk), timeout=30) as response:
            events = Events(response)
            assert events.next()[0] == "progress"
            server.send_signal(signal.SIGTERM)
            for _ in events.lines:
                pass  # the stream ends, without an error
        # A server that waited for the stream would wait for ever.
        server.wait(timeout=60)
        assert "Traceback" not in server.stdout.read()
    finally:
        server.kill()
        server.wait()
        server.stdout.close()


def test_an_unsigned_stream_is_refused_not_opened(desk):
    async def ask() -> int:
        transport = httpx.ASGITransport(desk.app)
        async with httpx.AsyncClient(transport=transport, base_url="http://x") as client:
            answer = await client.get(
                desk.href("/watch/stream"), headers={"accept": "application/json"}
            )
            return answer.status_code

    assert asyncio.run(ask()) == 401


def test_before_the_lock_there_is_nothing_to_watch(tmp_path):
    desk = desk_in(tmp_path, listeners=0, locked=False)
    assert "nothing to watch yet" in desk.organiser.get(desk.href("/watch")).text
