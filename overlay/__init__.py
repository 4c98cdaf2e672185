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
    from overlay.compare.figures import Comparison as Comparison
    from overlay.errors import TimetrueError as TimetrueError
    from overlay.footage import probe as probe
    from overlay.jobs.api import Drawing as Drawing
    from overlay.jobs.api import compare as compare
    from overlay.jobs.api import draw as draw
    from overlay.jobs.api import verify as verify
    from overlay.logs import read_log as read_log
    from overlay.render.encoder import EncodeOptions as EncodeOptions
    from overlay.scene import Style as Style
    from overlay.session import AlignedRun as AlignedRun
    from overlay.session import CorrectedRun as CorrectedRun
    from overlay.session import Machine as Machine
    from overlay.session import RunAnalysis as RunAnalysis
    from overlay.session import RunInputs as RunInputs
    from overlay.session import RunOptions as RunOptions
    from overlay.session import align as align
    from overlay.session import analyse as analyse
    from overlay.session import correct as correct
    from overlay.session import load as load
    from overlay.sheet import load_sheet as load_sheet
    from overlay.verify import Verdict as Verdict

_RUN = ("AlignedRun", "CorrectedRun", "Machine", "RunAnalysis", "RunInputs", "RunOptions")
_HOMES = {
    "compare.figures": ("Comparison",),
    "errors": ("TimetrueError",),
    "footage": ("probe",),
    "jobs.api": ("Drawing", "compare", "draw", "verify"),
    "logs": ("read_log",),
    "render.encoder": ("EncodeOptions",),
    "scene": ("Style",),
    "session": (*_RUN, "align", "analyse", "correct", "load"),
    "sheet": ("load_sheet",),
    "verify": ("Verdict",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}
__all__ = sorted(_HOME_OF)


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
