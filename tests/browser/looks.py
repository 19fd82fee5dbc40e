"""What every page must keep, whoever looks at it: it fits its window, and WCAG 2.2 A and AA hold as
far as a program can tell (axe-core's rules under those tags)."""

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

_axe = Axe()
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"],
    "resultTypes": ["violations"],
}


def arrived(page: Page) -> None:
    """Waits until the page that a press led to is there whole.

    A press returns when the answer of the server begins; for a moment the window then holds a
    document without an element.
    """
    page.wait_for_function("() => document.documentElement && document.readyState === 'complete'")


def check_fits(page: Page) -> None:
    """Fails on a page that is wider than its window."""
    arrived(page)
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= page.viewport_size["width"], page.url


def check_page(page: Page) -> None:
    """Fails on a page that is wider than its window or breaks one of the rules."""
    check_fits(page)
    found = _axe.run(page, options=RULES).response["violations"]
    told = [
        f"{one['id']}: {one['help']}: {node['html'][:200]}"
        for one in found
        for node in one["nodes"]
    ]
    assert told == [], page.url
