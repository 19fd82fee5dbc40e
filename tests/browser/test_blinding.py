"""Blinding contract (1) in the browser: whatever a page shows, keeps or says of a trial is the same
whatever the trial holds.

Each trial's document, accessibility tree, storage, console, timing entries and requests are written
down before and after the answer. With the trial's own number, its length and its random addresses
taken out, all trials of a procedure must be alike to the letter, so there is nothing left to
learn from.
"""

import json
import re
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from booth_pages import at, hear_all, up_to_first_trial
from playwright.sync_api import Page, Request, expect
from real_server import Server
from small_study import ALL_PROCEDURES, SmallStudy, build
from sqlmodel import select

from panel.settings import load
from panel.store.opening import open_store
from panel.store.sealing import code_hash
from panel.store.session import Store
from panel.store.tables import Listener, Trial

pytestmark = pytest.mark.browser

PATIENCE = 60_000
VOTES = 4  # of each procedure; keys are drawn at random, so most trials of a procedure differ
ASKING = {"ties": True, "reasons": True, "attributes": ["attack", "sustain"]}

KEPT = """async () => {
  const kept = {
    cookies: document.cookie, local: {...localStorage}, session: {...sessionStorage},
    caches: await caches.keys(), history: history.state, name: window.name, databases: {},
  };
  for (const { name } of await indexedDB.databases()) {
    const db = await new Promise((done, fail) => {
      const opening = indexedDB.open(name);
      opening.onsuccess = () => done(opening.result);
      opening.onerror = () => fail(opening.error);
    });
    for (const store of db.objectStoreNames) {
      kept.databases[`${name}/${store}`] = await new Promise((done) => {
        const asking = db.transaction(store).objectStore(store).getAll();
        asking.onsuccess = () => done(asking.result);
      });
    }
    db.close();
  }
  return JSON.stringify(kept);
}"""

ENTRIES = """() => performance.getEntriesByType("resource")
  .filter((entry) => entry.name.includes("/sound/"))
  .map(({ name, initiatorType, transferSize, encodedBodySize, decodedBodySize, serverTiming,
          contentType, contentEncoding, deliveryType }) =>
    JSON.stringify({ name, initiatorType, transferSize, encodedBodySize, decodedBodySize,
      serverTiming, contentType, contentEncoding, deliveryType }))"""


@pytest.fixture
def study(store: Store) -> SmallStudy:
    return build(store, votes=VOTES, listeners=1, procedures=ALL_PROCEDURES, preference=ASKING)


def plain(text: str, number: int) -> str:
    """Without what every trial has of its own: addresses, ids, its number and the minutes left."""
    text = re.sub(r"https?://[\d.:]+", "", text)
    text = re.sub(r"/listen/[\w-]+", "/listen/L", text)
    text = re.sub(r"/sound/[\w-]+", "/sound/S", text)
    text = re.sub(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", "ID", text)
    text = re.sub(rf"\b{number} of \d+", "N of M", text)
    return re.sub(r"about (a minute|\d+ minutes) left", "SOON", text)


def seen(page: Page, requests: list[Request], number: int) -> str:
    """Everything the page tells of the trial it shows, as one text."""
    tree = page.context.new_cdp_session(page).send("Accessibility.getFullAXTree")
    names = [
        [node.get(part, {}).get("value") for part in ("role", "name", "description", "value")]
        for node in tree["nodes"]
        if not node["ignored"]
    ]
    document = page.evaluate(
        "() => document.documentElement.outerHTML"
        " + [...document.querySelectorAll('input')].map(i => [i.value, i.checked]).join()"
    )
    asked = [f"{r.method} {r.url} {r.resource_type} {sorted(r.headers)}" for r in requests]
    # How many there are follows the next trial, which is fetched ahead: which there are counts.
    traffic = [
        sorted({plain(one, number) for one in some}) for some in (asked, page.evaluate(ENTRIES))
    ]
    page.evaluate("performance.clearResourceTimings()")
    return plain(json.dumps([document, names]), number) + json.dumps(traffic, indent=1)


def planned(store: Store, link: str) -> dict[int, Trial]:
    with store.session() as s:
        rows = s.exec(
            select(Trial).join(Listener).where(Listener.link_hash == code_hash(link))
        ).all()
    return {row.number: row for row in rows}


def walked(
    page: Page, server: Server, store: Store, study: SmallStudy
) -> tuple[dict[str, dict[int, str]], dict[int, Any]]:
    """Answer all trials at random; what was seen by question and number, and what was kept."""
    link = study.links[0]
    up_to_first_trial(store, link)
    requests: list[Request] = []
    page.on("request", lambda request: requests.append(request))
    page.set_default_timeout(PATIENCE)
    page.goto(f"{server.url}/listen/{link}")
    rng = np.random.default_rng(5)
    looks: dict[str, dict[int, str]] = defaultdict(dict)
    kept: dict[int, Any] = {}
    for number in sorted(planned(store, link)):
        at(page, number)
        page.wait_for_load_state("networkidle")
        hear_all(page, 550)  # of a clip of half a second 0.4 s are to be heard
        page.locator("#stop").click()
        page.wait_for_timeout(50)
        kind = page.locator("#question").inner_text() + page.locator("#instruction").inner_text()
        looks[kind][number] = seen(page, requests, number)
        kept[number] = json.loads(page.evaluate(KEPT))
        requests.clear()
        answers = page.locator("#answers input")
        answers.nth(int(rng.integers(answers.count()))).check()
        page.locator("#keep").click()
    expect(page.get_by_role("heading", name="That was the last set")).to_be_visible(
        timeout=PATIENCE
    )
    return looks, kept


def different(looks: dict[str, dict[int, str]], rows: dict[int, Trial]) -> list[tuple[int, int]]:
    """Pairs of trials that ask the same and do not look the same.

    Left out: the first of all (it alone fetches its own sound on arrival) and the last (after
    which nothing is fetched ahead)."""
    found = []
    compared = 0
    assert set(rows) == {number for same in looks.values() for number in same}
    for same in looks.values():
        numbers = sorted(set(same) - {1, len(rows)})
        keys = {(tuple(rows[n].slots), rows[n].right) for n in numbers}
        found += [(numbers[0], n) for n in numbers[1:] if same[n] != same[numbers[0]]]
        compared += len(numbers) if len(keys) > 1 else 0
    assert compared >= 2 * len({row.procedure for row in rows.values()})
    return found


def test_a_page_tells_nothing_but_the_sound(
    page: Page, server: Server, store: Store, study: SmallStudy
) -> None:
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    looks, kept = walked(page, server, store, study)
    assert said == []
    procedures = {row.procedure for row in planned(store, study.links[0]).values()}
    assert procedures == set(ALL_PROCEDURES)
    assert len(looks) >= len(ALL_PROCEDURES)
    assert different(looks, planned(store, study.links[0])) == []
    # Nothing is kept in the browser but votes on their way, and they say what was answered only.
    # The one number of the browser is drawn before the first trial and stays: it tells of none.
    marks = {json.dumps(found["local"]) for found in kept.values()}
    assert len(marks) == 1
    assert re.fullmatch(r'{"browser:/listen/[\w-]+": "\d{1,10}"}', marks.pop())
    for number, found in kept.items():
        assert (found["cookies"], found["session"]) == ("", {}), number
        assert found["caches"] == [], number
        for votes in found["databases"].values():
            for vote in votes:
                assert set(vote) <= {
                    "client_id", "trial", "answer", "plays", "seconds", "notes", "reason",
                    "ticked", "link", "at",
                }  # fmt: skip


def test_a_page_that_tells_is_found_out(page: Page, tmp_path: Path) -> None:
    """A server spoiled on purpose: the sound's length follows its pitch, which names the take."""
    spoiled = Server(
        tmp_path,
        """
import panel.stages.listen.samples as samples
real = samples.wav24
samples.wav24 = lambda sound, rate, rng: real(sound, rate, rng) + bytes(
    2 * int(((sound[1:, 0] > 0) != (sound[:-1, 0] > 0)).sum()))
""",
    )
    spoiled.start()
    try:
        store = open_store(load(data=tmp_path))
        study = build(store, votes=VOTES, listeners=1, procedures=("abx", "preference"))
        looks, _ = walked(page, spoiled, store, study)
        assert different(looks, planned(store, study.links[0]))
    finally:
        spoiled.stop()
