"""The scripts and styles, for whoever serves them, and in one piece for a page from a disk."""

from __future__ import annotations

import re
from pathlib import Path

STATIC = Path(__file__).parent / "static"
PLOTTING = "vendor/uPlot.iife.min.js"
STYLES = ("vendor/uPlot.min.css", "player.css")
PLAYER = ("clock.js", "gauges.js", "charts.js", "player.js", "pair.js", "follow.js")
_IMPORT = re.compile(r"^import\b[^;]*;\n", re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(?:class|const|function|async)\b)", re.MULTILINE)


def static_text(name: str) -> str:
    """A file of ours or a library's, as text."""
    return (STATIC / name).read_text(encoding="utf-8")


def joined(names: tuple[str, ...]) -> str:
    """Modules as one script, since a page opened from a disk may not load a module beside it.

    Each comes after those it imports from, and no two give the same name to different things.
    """
    return "\n".join(_EXPORT.sub("", _IMPORT.sub("", static_text(name))) for name in names)
