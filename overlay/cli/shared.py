"""What the subcommands print: progress and lines on standard error, one JSON object on output."""

from __future__ import annotations

import json
import math
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import TYPE_CHECKING, Any, TextIO

import click

from overlay.progress import Progress, silent

if TYPE_CHECKING:
    from overlay.jobs.film import FilmReport

NAMED = re.compile(r"\s*(?:\S+ )*\S+ {2,}(?=\S)(?!.*\S {2,}\S)|\s*[\w ]{1,12}: (?=\S)")


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
    from rich.console import Console
    from rich.progress import BarColumn, ProgressColumn, Task, TaskID, TextColumn
    from rich.progress import Progress as Bars
    from rich.text import Text

    class Left(ProgressColumn):
        """By all that the stage has taken so far: runs differ, and workers start slowly."""

        def render(self, task: Task) -> Text:
            left_s = time_left_s(task.elapsed or 0.0, task.completed)
            return Text("-:--:--" if left_s is None else str(timedelta(seconds=round(left_s))))

    columns = (TextColumn("{task.description:<28}"), BarColumn(), Left())
    tasks: dict[str, TaskID] = {}
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:

        def show(stage: str, share: float) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(stage, total=1.0)
            bars.update(tasks[stage], completed=share)

        yield show


def time_left_s(taken_s: float, share: float) -> float | None:
    """Seconds to the end of a stage of which a share is done; None before there is any.

    Examples
    --------
    >>> time_left_s(30.0, 0.25), time_left_s(5.0, 0.0), time_left_s(30.0, 1.0)
    (90.0, None, 0.0)
    """
    return taken_s * (1 - share) / share if share > 0 else None


def say(line: str) -> None:
    """A line for a person, on standard error."""
    click.echo(_fitting(line, sys.stderr), err=True)


def show(text: str) -> None:
    """Lines for a person, on standard output."""
    click.echo(_fitting(text, sys.stdout))


def _fitting(text: str, stream: TextIO) -> str:
    """Text as it is; on a terminal in lines that fit it."""
    return folded(text, shutil.get_terminal_size().columns) if stream.isatty() else text


def folded(text: str, columns: int) -> str:
    """Lines of at most so many columns, broken between words.

    What goes on is indented: below the value where a line is a name and a value, else by two.

    Examples
    --------
    >>> print(folded("good for   launch and stop are both in view", 30))
    good for   launch and stop are
               both in view
    """
    lines = []
    for line in text.split("\n"):
        named = NAMED.match(line)
        indent = len(named[0]) if named else len(line) - len(line.lstrip()) + 2
        indent = indent if indent < columns // 2 else 2
        lines += textwrap.wrap(
            line,
            max(columns, 20),
            subsequent_indent=" " * indent,
            replace_whitespace=False,
            break_on_hyphens=False,
            break_long_words=False,
        ) or [""]
    return "\n".join(lines)


def tell(job: Callable[..., FilmReport], *arguments: Any, quiet: bool, **more: Any) -> FilmReport:
    """Do a job with its progress shown, and say what is known of each run."""
    with shown_progress(quiet=quiet) as progress:
        report = job(*arguments, progress=progress, **more)
    for line in report.lines[0] if len(report.lines) == 1 else ():
        say(line)
    return report
