"""A real browser, driven headless against a server on this machine. For tests marked `browser`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests import services

QUIET = [
    "--no-sandbox",  # the suite may run as root in a container, where the sandbox cannot start
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--enable-unsafe-swiftshader",  # WebGL without a graphics card
]


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """The browser, started once."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=services.browser_path(), args=QUIET)
        yield browser
        browser.close()


@pytest.fixture
def complaints() -> list[str]:
    """What the browser complained about while a test used `page`; the test asserts that it is empty."""
    return []


@pytest.fixture
def page(chromium: Any, complaints: list[str]) -> Iterator[Any]:
    """A page in a context of its own: no cookie of another test. Console errors go to `complaints`."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    opened = context.new_page()
    opened.set_default_timeout(15_000)
    opened.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    opened.on("pageerror", lambda fault: complaints.append(str(fault)))
    yield opened
    context.close()
