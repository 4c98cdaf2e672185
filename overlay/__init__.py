"""Timetrue: gauges on run footage that are true at the moment they are shown.

One run goes ``load -> align -> correct -> analyse``; ``draw`` makes films of it, ``compare`` sets
two builds side by side, ``verify`` judges a finished film. Every step returns a frozen dataclass;
every error raised on purpose is a :class:`TimetrueError`. The names are loaded at first use, and
nothing is done on import.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from overlay.compare.figures import Comparison
    from overlay.errors import TimetrueError
    from overlay.footage import probe
    from overlay.jobs.api import Drawing, compare, draw, verify
    from overlay.logs import read_log
    from overlay.render.encoder import EncodeOptions
    from overlay.scene import Style
    from overlay.session import (
        AlignedRun,
        CorrectedRun,
        Machine,
        RunAnalysis,
        RunInputs,
        RunOptions,
        align,
        analyse,
        correct,
        load,
    )
    from overlay.sheet import load_sheet
    from overlay.verify import Verdict

_HOMES = {
    "compare.figures": ("Comparison",),
    "errors": ("TimetrueError",),
    "footage": ("probe",),
    "jobs.api": ("Drawing", "compare", "draw", "verify"),
    "logs": ("read_log",),
    "render.encoder": ("EncodeOptions",),
    "scene": ("Style",),
    "session": (
        "AlignedRun",
        "CorrectedRun",
        "Machine",
        "RunAnalysis",
        "RunInputs",
        "RunOptions",
        "align",
        "analyse",
        "correct",
        "load",
    ),
    "sheet": ("load_sheet",),
    "verify": ("Verdict",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "AlignedRun",
    "Comparison",
    "CorrectedRun",
    "Drawing",
    "EncodeOptions",
    "Machine",
    "RunAnalysis",
    "RunInputs",
    "RunOptions",
    "Style",
    "TimetrueError",
    "Verdict",
    "align",
    "analyse",
    "compare",
    "correct",
    "draw",
    "load",
    "load_sheet",
    "probe",
    "read_log",
    "verify",
]


class _Callable(ModuleType):
    """A part of the package that is called as a function of its name."""

    def __call__(self, *args: Any, **named: Any) -> Any:
        return getattr(import_module("overlay.jobs.api"), self.__name__.rpartition(".")[2])(
            *args, **named
        )


class _Package(ModuleType):
    """This package: ``compare`` and ``verify`` are parts of it, and functions as well."""

    def __setattr__(self, name: str, value: Any) -> None:
        if name in ("compare", "verify") and isinstance(value, ModuleType):
            value.__class__ = _Callable
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
