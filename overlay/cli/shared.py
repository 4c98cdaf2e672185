"""What the subcommands print: progress and lines on standard error, one JSON object on output."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, TaskID, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bars

from overlay.jobs.film import FilmReport
from overlay.progress import Progress, silent


def print_json(value: dict[str, Any]) -> None:
    """One JSON object on standard output; numbers that are not finite become null."""
    click.echo(json.dumps(_plain(value), indent=2, ensure_ascii=False))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


@contextmanager
def shown_progress(*, quiet: bool) -> Iterator[Progress]:
    """A progress bar with the time left on standard error; none when quiet or not a terminal."""
    if quiet or not sys.stderr.isatty():
        yield silent
        return
    columns = (TextColumn("{task.description:<28}"), BarColumn(), TimeRemainingColumn())
    tasks: dict[str, TaskID] = {}
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:

        def show(stage: str, share: float) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(stage, total=1.0)
            bars.update(tasks[stage], completed=share)

        yield show


def say(line: str) -> None:
    """A line for a person, on standard error."""
    click.echo(line, err=True)


def tell(job: Callable[..., FilmReport], *arguments: Any, quiet: bool, **more: Any) -> FilmReport:
    """Do a job with its progress shown, and say what is known of each run."""
    with shown_progress(quiet=quiet) as progress:
        report = job(*arguments, progress=progress, **more)
    for line in report.lines[0] if len(report.lines) == 1 else ():
        say(line)
    return report
