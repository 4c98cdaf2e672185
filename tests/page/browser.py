"""A real browser for tests: Debian's Chromium by Playwright; skipped with a reason if missing."""

from __future__ import annotations

import base64
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from overlay.page.scripts import PLAYER, PLOTTING, STYLES, joined, static_text

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


def wait_until(page: Any, said: str, *, seconds: float = 30.0) -> None:
    """Wait for a condition without the page's own `eval`, which a strict policy forbids."""
    for _ in range(int(seconds / 0.05)):
        if page.evaluate(said):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"not so within {seconds:g} s: {said}")


def serious(page: Any) -> list[str]:
    """What axe-core finds that shuts people out."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not here")
    found = axe.Axe().run(page).response["violations"]
    return [
        f"{one['id']}: {node['html'][:120]}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


@contextmanager
def screens_of(page: Any) -> Iterator[list[bytes]]:
    """What stands on the screen from then on, PNG, as often as it changes."""
    screens: list[bytes] = []
    session = page.context.new_cdp_session(page)

    def keep(event: dict[str, Any]) -> None:
        screens.append(base64.b64decode(event["data"]))
        session.send("Page.screencastFrameAck", {"sessionId": event["sessionId"]})

    session.on("Page.screencastFrame", keep)
    session.send("Page.startScreencast", {"format": "png", "everyNthFrame": 1})
    yield screens
    session.send("Page.stopScreencast")


def write_viewer(path: Path, body: str, script: str) -> None:
    style = "".join(map(static_text, STYLES))
    path.write_text(
        f"<!doctype html><html lang=en><meta charset=utf-8><title>Run</title>"
        f"<style>{style} body {{ margin: 0 }} run-view {{ width: 320px }}</style>{body}"
        f"<script>{static_text(PLOTTING)}</script>"
        f"<script type=module>{joined(PLAYER)}\n{script}\nwindow.isReady = true;</script>"
    )
