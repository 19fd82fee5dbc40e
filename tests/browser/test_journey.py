"""The whole job through the pages: an organiser and three listeners, a real server, real files.

Takes are synthesised (invented data). The test answers at random, so what the verdict says is not
its concern; that it is given, shown, exported and recomputed is.
"""

import csv
import hashlib
import io
import json
import re
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile
from booth_pages import hear_all
from looks import arrived, check_fits, check_page
from playwright.sync_api import Browser, Page, expect
from real_server import Server
from typer.testing import CliRunner

from panel.cli import app as command
from panel.demo import scenario, synth
from panel.settings import load
from panel.stages import accounts
from panel.store.opening import open_store

SCREENS = [(1280, "light"), (360, "dark")]
LISTENERS = ("ada@example.org", "bo@example.org", "cy@example.org")
PASSWORD = "stiff as a board"
Check = Callable[[Page], None]


@pytest.fixture(scope="module")
def recordings(tmp_path_factory) -> list[tuple[Path, str]]:
    """Eight takes as 24-bit WAV files, with the adhesive of each, in mixed order."""
    folder = tmp_path_factory.mktemp("recordings")
    rng = np.random.default_rng(11)
    performance = synth.performance(synth.KALIMBA, rng)
    made = []
    for take in scenario.kalimba_takes(rng):
        path = folder / f"{take.label.replace(' ', '-')}.wav"
        soundfile.write(path, synth.take(performance, take.chain, rng), synth.RATE, "PCM_24")
        made.append((path, str(take.log["adhesive"])))
    return made


@contextmanager
def shown_when_it_fails(page: Page) -> Iterator[None]:
    """Prints what the page says if anything inside goes wrong."""
    try:
        yield
    except Exception:
        print(page.url, page.locator("body").inner_text(), sep="\n")
        raise


class Organiser:
    def __init__(self, page: Page, server: Server) -> None:
        self.page, self.server = page, server

    def sign_in(self, address: str) -> None:
        self.page.goto(f"{self.server.url}/desk")
        self.page.get_by_label("Mail address").fill(address)
        self.page.get_by_label("Password").fill(PASSWORD)
        self.page.get_by_role("button", name="Sign in").click()
        check_page(self.page)

    def make_study(self) -> None:
        page = self.page
        page.goto(f"{self.server.url}/desk/studies/new")
        page.get_by_label("The question, in plain words").fill(
            "Does the stiffer glue sound different?"
        )
        page.get_by_label("A short title").fill("Kalimba glue, autumn")
        check_page(page)
        page.locator("form .button.go").click()

    def add_takes(self, recordings: list[tuple[Path, str]]) -> None:
        page = self.page
        self.step("Takes")
        page.get_by_label("Sound files").set_input_files([path for path, _ in recordings])
        page.get_by_role("button", name="Add takes").click()
        # When every file is taken the page goes on to the log by itself.
        expect(page.locator("table.grid tbody tr")).to_have_count(len(recordings), timeout=120_000)
        page.get_by_label("What can differ").fill("adhesive")
        page.get_by_role("button", name="Add the factor").click()
        for path, adhesive in recordings:
            row = page.locator("tbody tr", has=page.get_by_role("link", name=path.name))
            row.get_by_label(re.compile("^adhesive of take")).fill(adhesive)
            row.get_by_label(re.compile("^Specimen of take")).fill(path.stem)
        page.get_by_label("Session of all takes not logged yet").fill("Saturday")
        page.get_by_label("What carries all specimens").fill("the bench kalimba")
        page.get_by_role("button", name="Keep the log").click()
        check_page(page)

    def original_of(self, path: Path) -> bytes:
        row = self.page.locator("tbody tr", has=self.page.get_by_role("link", name=path.name))
        row.get_by_role("link", name=path.name).click()
        with self.page.expect_download() as download:
            self.page.get_by_role("link", name=re.compile("^Original")).click()
        content = Path(download.value.path()).read_bytes()
        self.page.go_back()
        return content

    def mark(self) -> None:
        page = self.page
        page.get_by_role("link", name="Mark excerpts").click()
        page.get_by_label("Beginning, s").fill("0.4")
        page.get_by_label("End, s").fill("2.6")
        page.get_by_role("button", name="Mark the excerpt").click()
        check_page(page)

    def prepare(self) -> None:
        page = self.page
        self.step("Clips")
        page.get_by_role("button", name="Prepare the clips").click()
        # Eight takes and the planted copy of one.
        expect(page.locator("table.clips tbody tr")).to_have_count(9, timeout=120_000)
        check_page(page)

    def ask(self) -> None:
        page = self.page
        self.step("Contrasts")
        page.get_by_role("link", name="Ask this").first.click()
        page.get_by_label("Votes from each listener").fill("3")
        check_page(page)
        page.get_by_role("button", name="Keep the question").click()
        page.get_by_role("link", name="Plant a check").click()
        page.get_by_label("Votes from each listener").fill("1")
        page.get_by_role("button", name="Plant the check").click()
        check_page(page)

    def lock(self) -> str:
        page = self.page
        self.step("Plan")
        page.get_by_label("Listeners", exact=True).fill("3")
        page.get_by_role("button", name="Keep the rules").click()
        check_page(page)
        page.get_by_role("link", name="Read and lock the plan").click()
        sha = page.locator("code.sha").inner_text().replace("\n", "").strip()
        page.get_by_role("button", name="Lock the plan").click()
        check_page(page)
        return sha

    def invite(self, addresses: tuple[str, ...]) -> list[str]:
        """Invites, and reads each personal link from its mail in the outbox."""
        page = self.page
        self.step("Listeners")
        page.get_by_label("Invite by mail").fill(", ".join(addresses))
        page.get_by_role("button", name="Invite", exact=True).click()
        check_page(page)
        links = []
        for address in addresses:
            page.get_by_role("link", name=re.compile(f"mail to {address}")).click()
            text = page.locator("main").inner_text()
            links.append(re.search(r"https?://\S+/listen/[\w-]+", text).group())  # type: ignore[union-attr]
            check_page(page)
            self.step("Listeners")
        return links

    def conclude(self, archive: Path) -> Path:
        """Watches, ends the voting, keeps the archive and reads the report."""
        page = self.page
        self.step("Watch")
        expect(page.locator("main")).to_contain_text("12")
        # The stream puts the picture in anew when it opens; look at the page after that.
        expect(page.locator("#live")).to_contain_text("Live")
        check_page(page)
        self.step("Verdict")
        page.get_by_role("link", name="End voting and open the verdict").click()
        page.get_by_role("button", name="End voting and open the verdict").click()
        report = page.get_by_role("link", name="Read the whole report")
        expect(report).to_be_visible(timeout=60_000)
        check_page(page)
        with page.expect_download() as download:
            page.get_by_role("link", name=re.compile("Archive to publish")).click()
        download.value.save_as(archive)
        report.click()
        expect(page.locator("svg:visible").first).to_be_visible()
        check_page(page)
        return archive

    def step(self, name: str) -> None:
        self.page.get_by_role("navigation").get_by_role("link", name=name).first.click()


def listen(page: Page, link: str, rng: np.random.Generator, check: Check) -> int:
    """One listener, from the mail's link to the thanks; returns the number of trials voted on."""
    page.goto(link)
    check(page)
    page.get_by_role("button", name="I agree").click()
    page.get_by_label("Headphones, over or on the ears").check()
    page.get_by_role("button", name="Go on").click()
    page.locator("#play").click()
    check(page)
    page.locator("#onwards").click()
    page.get_by_role("button", name="Leave it out").click()
    voted = 0
    while True:
        arrived(page)
        if page.locator("#remarks").count():
            break
        practice = page.locator("#set[data-kind]").count() > 0
        answer_one(page, rng, check)
        if practice:
            page.get_by_role("button", name="Begin", exact=True).click()
            page.wait_for_function("() => !document.querySelector('#set[data-kind]')")
        else:
            voted += 1
    page.get_by_role("button", name="Finish").click()
    expect(page.get_by_role("heading", name="Thank you")).to_be_visible()
    check(page)
    return voted


def answer_one(page: Page, rng: np.random.Generator, check: Check) -> None:
    """Hear every sample of the set that is open, answer it, and wait until it is gone."""
    expect(page.locator("#samples button").first).to_be_visible(timeout=60_000)
    check(page)
    hear_all(page)
    answers = page.locator("#answers label")
    answers.nth(int(rng.integers(answers.count()))).click()
    question = page.locator("#count").inner_text() if page.locator("#count").count() else ""
    page.locator("#keep").click()
    if page.locator("#set[data-kind]").count():
        expect(page.locator("#onwards")).to_be_visible()
    else:
        page.wait_for_function(
            "before => document.querySelector('#remarks')"
            " || document.querySelector('#count')?.innerText !== before",
            arg=question,
            timeout=60_000,
        )


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), SCREENS)
def test_the_whole_job_through_the_pages(
    width, scheme, chromium: Browser, empty_server, recordings, tmp_path
):
    store = open_store(load(data=empty_server.data))
    accounts.add_organiser(store, "maker@example.org", "Larkfield Pickups", PASSWORD)
    context = chromium.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)
    desk = Organiser(context.new_page(), empty_server)
    with shown_when_it_fails(desk.page):
        desk.sign_in("maker@example.org")
        desk.make_study()
        desk.add_takes(recordings)
        for path, _ in recordings[:2]:
            assert desk.original_of(path) == path.read_bytes()
        desk.mark()
        desk.ask()
        desk.prepare()
        sha = desk.lock()
        links = desk.invite(LISTENERS)
    assert len(set(links)) == 3

    rng = np.random.default_rng(width)
    for number, link in enumerate(links):
        check = check_fits if number else check_page  # the screens are the same for all
        booth = chromium.new_context(viewport={"width": width, "height": 740}, color_scheme=scheme)
        page = booth.new_page()
        with shown_when_it_fails(page):
            assert listen(page, link, rng, check) == 4
        booth.close()

    with shown_when_it_fails(desk.page):
        archive = desk.conclude(tmp_path / "export.zip")
    context.close()

    # The archive stands by itself: every vote, no address, the plan as it was locked.
    with zipfile.ZipFile(archive) as opened:
        members = {name: opened.read(name) for name in opened.namelist()}
    everything = b"".join(members.values())
    for address in (*LISTENERS, "maker@example.org"):
        assert address.encode() not in everything
    assert hashlib.sha256(members["plan.json"]).hexdigest() == sha
    votes = list(csv.DictReader(io.StringIO(members["votes.csv"].decode())))
    assert len(votes) == 12
    result = CliRunner().invoke(command, ["verdict", str(archive), "--json"])
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout) == json.loads(members["verdict.json"])

    # And offline, in a process of its own.
    run = subprocess.run(
        [str(Path(sys.executable).with_name("fairhearing")), "verdict", str(archive)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
