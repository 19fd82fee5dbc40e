"""The report in headless Chromium: fits, is legible and complete at 1280 and 360 px, and prints."""

from __future__ import annotations

import functools
import http.server
import shutil
import threading
from pathlib import Path

import pytest

from ..simulated_study import concluded, measured
from .test_contents import render

STATIC = Path(__file__).parents[3] / "web" / "static"
# The policy under which the site serves it: no script and no style but from files.
POLICY = "default-src 'self'; style-src 'self'; script-src 'self'; img-src 'self' data:"

pytestmark = pytest.mark.browser


class Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *args):
        pass

    def end_headers(self):
        self.send_header("Content-Security-Policy", POLICY)
        super().end_headers()


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    document, table, rows, verdict = concluded(12, "anytime")
    folder = tmp_path_factory.mktemp("site")
    shutil.copytree(STATIC, folder / "static")
    (folder / "report.html").write_text(
        render(document, verdict, table, rows, measured=measured(), organiser="Larkfield",
               export_url="/x.zip", plan_url="/plan.json"),
        encoding="utf-8",
    )  # fmt: skip
    handler = functools.partial(Quiet, directory=str(folder))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}/report.html"
        server.shutdown()
        thread.join()


@pytest.fixture(params=[(1280, "light"), (360, "light"), (360, "dark")], ids=str)
def page(request, chromium, address):
    width, scheme = request.param
    context = chromium.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
    page = context.new_page()
    complaints = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("requestfailed", lambda request: complaints.append(request.url))
    page.goto(address)
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
    yield page
    assert complaints == []
    context.close()


def test_nothing_has_to_be_scrolled_sideways(page):
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_one_drawing_of_each_picture_shows_with_legible_text(page):
    shown = page.evaluate("""() => [...document.querySelectorAll('figure.picture')].map(figure =>
      [...figure.querySelectorAll('svg')].filter(svg => svg.getBoundingClientRect().width > 0)
        .map(svg => svg.getBoundingClientRect().width / svg.viewBox.baseVal.width
          * Math.min(...[...svg.querySelectorAll('text')]
              .map(text => parseFloat(text.getAttribute('font-size'))))))""")
    assert len(shown) == 11
    for sizes in shown:
        assert len(sizes) == 1  # wide or narrow, never both: a screen reader hears it once
        assert sizes[0] >= 13


def test_no_word_of_a_picture_is_cut_off_or_overprinted(page):
    """Measured in the browser with the page's own font, unlike the estimate in test_figures."""
    wrong = page.evaluate("""() => {
      const wrong = [];
      for (const svg of document.querySelectorAll('svg')) {
        const frame = svg.getBoundingClientRect();
        if (!frame.width) continue;
        const boxes = [...svg.querySelectorAll('text')].map(
          text => [text.textContent, text.getBoundingClientRect()]);
        for (const [words, box] of boxes)
          if (box.left < frame.left - 1 || box.right > frame.right + 1 ||
              box.top < frame.top - 3 || box.bottom > frame.bottom + 3)
            wrong.push(['cut off', words]);
        boxes.forEach(([a, p], i) => boxes.slice(i + 1).forEach(([b, q]) => {
          const wide = Math.min(p.right, q.right) - Math.max(p.left, q.left);
          const high = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
          if (wide > 1 && high > 5) wrong.push(['overprinted', a, b]);
        }));
      }
      return wrong; }""")
    assert wrong == []


def test_every_colour_of_text_stands_out(page):
    """Contrast of plain text on its card, by the formula of WCAG 2.2 (relative luminance)."""
    ratio = page.evaluate("""() => {
      const light = value => { const [r, g, b] = value.match(/[\\d.]+/g).map(Number)
          .map(v => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
        return 0.2126 * r + 0.7152 * g + 0.0722 * b };
      const ground = light(getComputedStyle(document.querySelector('.card')).backgroundColor);
      const all = [...document.querySelectorAll('p, dt, dd, th, td, li, summary, figcaption')]
        .map(e => light(getComputedStyle(e).color));
      return Math.min(...all.map(l =>
        (Math.max(l, ground) + 0.05) / (Math.min(l, ground) + 0.05))); }""")
    assert ratio >= 4.5


def test_it_opens_with_the_answer_and_the_numbers_are_one_press_away(chromium, address):
    page = chromium.new_page(viewport={"width": 1280, "height": 900}, java_script_enabled=False)
    page.goto(address)
    first = page.locator(".short").bounding_box()
    assert first is not None
    assert first["y"] + first["height"] <= 900
    fold = page.locator(".contrast > details").first
    numbers = fold.locator(".numbers").first
    assert not numbers.is_visible()
    fold.locator("summary").first.focus()
    page.keyboard.press("Enter")
    assert numbers.is_visible()
    page.close()


def test_what_is_folded_on_the_screen_prints_unfolded(chromium, address):
    page = chromium.new_page(viewport={"width": 720, "height": 1000})
    page.goto(address)
    folded = [
        ".contrast > details .numbers", ".contrast > details .chain", ".methods",
        ".contrast > details figure .drawn.wide", "[aria-label=Listeners] table",
    ]  # fmt: skip
    visible = "s => document.querySelector(s).checkVisibility({contentVisibilityAuto: true})"
    assert [page.evaluate(visible, s) for s in folded] == [False] * len(folded)
    page.emulate_media(media="print")
    for what in folded:  # what is skipped is drawn at the next frame
        page.wait_for_function(visible, arg=what)
    page.close()


def test_it_prints_on_the_width_of_paper(chromium, address):
    page = chromium.new_page(viewport={"width": 720, "height": 1000})
    page.emulate_media(media="print")
    page.goto(address)
    assert page.evaluate("document.documentElement.scrollWidth") <= 720
    assert page.pdf(format="A4")[:5] == b"%PDF-"
    page.close()
