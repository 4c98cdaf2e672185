"""The plotting library that the program carries is the published one, with its licence."""

import hashlib
import re

from overlay.page.scripts import PLAYER, STATIC, joined, static_text

VENDOR = STATIC / "vendor"
# Of dist/uPlot.iife.min.js in the npm package uplot 1.6.32, as downloaded.
PUBLISHED = "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f"


def test_vendored__library_is_unchanged_and_licensed() -> None:
    listed = dict(
        reversed(line.split("  ")) for line in (VENDOR / "SHA256SUMS").read_text().splitlines()
    )
    for name, digest in listed.items():
        assert hashlib.sha256((VENDOR / name).read_bytes()).hexdigest() == digest, name
    assert listed["uPlot.iife.min.js"] == PUBLISHED
    assert {path.name for path in VENDOR.iterdir()} == {*listed, "SHA256SUMS", "VERSION.txt"}
    assert "Permission is hereby granted" in (VENDOR / "uPlot-LICENSE.txt").read_text()


def test_joined__is_one_script_without_imports() -> None:
    text = joined(PLAYER)
    assert not re.search(r"^(import|export)\b", text, re.MULTILINE)
    assert "</script" not in text
    names = re.findall(r"^(?:async )?(?:class|function|const) (\w+)", text, re.MULTILINE)
    assert len(names) == len(set(names)), "two modules give one name"


def test_script__asks_no_network_and_makes_no_markup_from_text() -> None:
    for name in PLAYER:
        for word in (
            "innerHTML",
            "insertAdjacentHTML",
            "document.write",
            "eval(",
            "fetch(",
            "http",
        ):
            assert word not in static_text(name), (name, word)
