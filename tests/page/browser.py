"""A real browser for tests: Debian's Chromium by Playwright; skipped with a reason if missing."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]


@contextmanager
def chromium() -> Iterator[Any]:
    """A running browser."""
    playwright = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed")
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("no chromium on this machine: apt-get install chromium")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=program, args=ARGUMENTS)
        yield browser
        browser.close()


def quiet_page(browser: Any, **options: Any) -> tuple[Any, list[str]]:
    """A page with no network, and the list of what it complains of."""
    page = browser.new_context(offline=True, **options).new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text) if message.type == "error" else 0)
    page.on("pageerror", lambda error: said.append(str(error)))
    return page, said
