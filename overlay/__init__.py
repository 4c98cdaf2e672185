"""Timetrue: gauges on run footage that are true at the moment they are shown.

The public names, loaded at first use; nothing is done on import.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from overlay.errors import TimetrueError
    from overlay.footage import probe
    from overlay.jobs.align import align_files
    from overlay.jobs.analyse import analyse_run
    from overlay.jobs.correct import correct_run
    from overlay.jobs.draw import DrawRequest, draw_run
    from overlay.jobs.pair import PairRun, pair_runs
    from overlay.jobs.verify import verify_clip, verify_logs
    from overlay.logs import read_log
    from overlay.sheet import load_sheet

__all__ = [
    "DrawRequest",
    "PairRun",
    "TimetrueError",
    "align_files",
    "analyse_run",
    "correct_run",
    "draw_run",
    "load_sheet",
    "pair_runs",
    "probe",
    "read_log",
    "verify_clip",
    "verify_logs",
]

_HOMES = {
    "DrawRequest": "jobs.draw",
    "PairRun": "jobs.pair",
    "TimetrueError": "errors",
    "align_files": "jobs.align",
    "analyse_run": "jobs.analyse",
    "correct_run": "jobs.correct",
    "draw_run": "jobs.draw",
    "load_sheet": "sheet",
    "pair_runs": "jobs.pair",
    "probe": "footage",
    "read_log": "logs",
    "verify_clip": "jobs.verify",
    "verify_logs": "jobs.verify",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
