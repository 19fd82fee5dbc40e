"""Each procedure in Chromium: its practice, its trial, and what is kept of the answer."""

from pathlib import Path

import pytest
from booth_pages import PATIENCE, answer, fits, hear_all, opened, up_to_first_trial, votes_of
from playwright.sync_api import Page, expect
from real_server import Server
from small_study import build
from sqlmodel import select

from panel.procedures.base import ANSWERS
from panel.procedures.catalogue import PROCEDURES
from panel.store.sealing import code_hash
from panel.store.session import Store
from panel.store.tables import Listener, Reason, Trial

pytestmark = pytest.mark.browser

ASKED = {"ties": True, "reasons": True, "attributes": ["clearer", "warmer"]}
NEWER = ("duo_trio", "same_different", "reminder", "preference", "tetrad")


def test_every_procedure_is_practised_and_answered_in_its_own_words(
    page: Page, server: Server, store: Store, tmp_path: Path
) -> None:
    study = build(store, procedures=NEWER, votes=1, listeners=1, preference=ASKED)
    link = study.links[0]
    up_to_first_trial(store, link)
    with store.session() as s:
        row = s.exec(select(Listener).where(Listener.link_hash == code_hash(link))).one()
        row.steps_done = [step for step in row.steps_done if not step.startswith("practice:")]
        s.add(row)
        s.commit()
        trials = list(
            s.exec(select(Trial).where(Trial.listener_id == row.id).order_by(Trial.number))
        )
    opened(page, server, link)
    practised = set()
    for trial in trials:
        kind = PROCEDURES[trial.procedure].as_asked(ties=True)
        page.wait_for_selector("form#onwards, #saved", state="attached")
        if kind.code not in practised:
            expect(page.locator("#set")).to_be_visible(timeout=PATIENCE)
            expect(page.locator("#instruction")).to_have_text(kind.instruction_text("a sound"))
            hear_all(page)
            answer(page, len(kind.answers) - 1)
            expect(page.locator("#feedback")).to_be_visible(timeout=PATIENCE)
            practised.add(kind.code)
            fits(page)
            page.screenshot(path=tmp_path / f"practice-{kind.code}.png", full_page=True)
            page.get_by_role("button", name="Begin").click()
            page.wait_for_selector("#saved", state="attached")
        expect(page.locator("#count")).to_contain_text(f"{trial.number} of", timeout=PATIENCE)
        expect(page.locator("#set")).to_be_visible(timeout=PATIENCE)
        expect(page.locator("#question")).to_have_text(kind.question)
        if kind.code == "preference":
            expect(page.locator("#instruction")).to_contain_text("if you like both equally, say so")
        expect(page.locator("#samples button")).to_have_text(list(kind.names[: kind.samples]))
        expect(page.locator("#answers label")).to_have_text(list(kind.answer_texts))
        hear_all(page)
        chosen = len(kind.answers) - 1
        if kind.code == "preference":
            page.locator("#answers input").nth(chosen).check()
            expect(page.locator("#why")).to_be_hidden()  # of “neither” no difference is explained
            chosen = 0
            page.locator("#answers input").nth(chosen).check()
            page.get_by_label("warmer").check()
            page.get_by_label("in your own words").fill("More of the wood.")
        else:
            expect(page.locator("#why")).to_be_hidden()
        for width in (1280, 360):
            page.set_viewport_size({"width": width, "height": 760})
            fits(page)
            page.screenshot(path=tmp_path / f"trial-{kind.code}-{width}.png", full_page=True)
        page.set_viewport_size({"width": 1280, "height": 900})
        answer(page, chosen)
        page.wait_for_function(
            "n => document.querySelector('#remarks, form#onwards')"
            " || document.querySelector('#count')?.textContent.startsWith(`${n} of`)",
            arg=trial.number + 1, timeout=PATIENCE,
        )  # fmt: skip
    page.wait_for_selector("#remarks", timeout=PATIENCE)
    votes = votes_of(store, link)
    assert [ANSWERS[vote.answer] for vote in votes] == [
        PROCEDURES[trial.procedure]
        .as_asked(ties=True)
        .answers[0 if trial.procedure == "preference" else -1]
        for trial in trials
    ]
    with store.session() as s:
        (reason,) = s.exec(select(Reason))
    assert (reason.words, reason.ticked) == ("More of the wood.", ["warmer"])
