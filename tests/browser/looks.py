"""What every page must keep, whoever looks at it: it fits its window, and WCAG 2.2 A and AA hold as
far as a program can tell (axe-core's rules under those tags)."""

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

_axe = Axe()
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"],
    "resultTypes": ["violations"],
}


def check_fits(page: Page) -> None:
    """Fails on a page that is wider than its window."""
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
