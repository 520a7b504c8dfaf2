"""WCAG 2.2 A and AA as far as a program can tell, by an open rule engine inside the browser.

What it cannot tell (whether words make sense, whether an order of focus is natural) people look at; the
keyboard walks of `test_browser.py` do the main jobs without a mouse.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from axe_playwright_python.sync_playwright import Axe

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
BEYOND = {
    "heading-order": {"enabled": True},
    "region": {"enabled": True},
    "landmark-one-main": {"enabled": True},
    "page-has-heading-one": {"enabled": True},
    "empty-table-header": {"enabled": True},
    "scope-attr-valid": {"enabled": True},
    "target-size": {"enabled": True},
}
"""Good practice that the standard does not name, and target size, which is off in the engine by default."""

WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 360, "height": 740}
SCRIPT = Axe().axe_script
RUN = """(options) => axe.run(document, options).then((found) => found.violations.map((each) => ({
  rule: each.id, help: each.help,
  nodes: each.nodes.map((node) => ({at: node.target.join(' '), html: node.html.slice(0, 160),
    why: [...node.any, ...node.all, ...node.none].map((check) => check.message).join('; ')}))})))"""


def violations(page: Any, place: str) -> Iterator[str]:
    """Everything wrong with the page that is open: at a desk in light and dark, on a phone, by keyboard."""
    page.set_viewport_size(WIDE)
    page.emulate_media(color_scheme="light")
    page.evaluate(SCRIPT)
    every = {"runOnly": {"type": "tag", "values": TAGS}, "rules": BEYOND, "resultTypes": ["violations"]}
    yield from told(page, every, place, "light")
    page.emulate_media(color_scheme="dark")
    yield from told(page, only("color-contrast"), place, "dark")
    page.emulate_media(color_scheme="light")
    page.set_viewport_size(PHONE)
    page.evaluate(SETTLED)
    yield from told(page, only("target-size", "scrollable-region-focusable"), place, "phone")
    wide = page.evaluate("document.documentElement.scrollWidth")
    if wide > PHONE["width"]:
        yield f"{place} (phone): {wide} px wide: {page.evaluate(TOO_WIDE)}"


def only(*rules: str) -> dict[str, Any]:
    return {"runOnly": {"type": "rule", "values": list(rules)}, "resultTypes": ["violations"]}


SETTLED = "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
"""The page has heard that it is narrow now."""

TOO_WIDE = """() => [...document.querySelectorAll('main *, header *')].filter((each) => {
    if (each.getBoundingClientRect().right <= innerWidth + 1) return false;
    for (let up = each.parentElement; up; up = up.parentElement)
      if (getComputedStyle(up).overflowX !== 'visible') return false;
    return true;
  }).slice(0, 3).map((each) => each.outerHTML.slice(0, 120)).join(' | ')"""


def told(page: Any, options: dict[str, Any], place: str, where: str) -> Iterator[str]:
    for each in page.evaluate(RUN, options):
        for node in each["nodes"][:3]:
            more = f" and {len(each['nodes']) - 3} more" if len(each["nodes"]) > 3 else ""
            yield f"{place} ({where}): {each['rule']} at {node['at']}{more}: {node['why']} {node['html']}"
