"""What the subcommands share: options, progress on standard error, one JSON object on output."""

from __future__ import annotations

import functools
import json
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

import click

from overlay.errors import UsageError
from overlay.progress import Progress, silent
from overlay.units import SPEED_UNITS

Function = TypeVar("Function", bound=Callable[..., Any])

json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON object; everything else on stderr."
)
quiet_option = click.option("-q", "--quiet", is_flag=True, help="Show no progress.")
same_clock_option = click.option(
    "--same-clock",
    is_flag=True,
    help="The log runs on the footage's own clock (the camera's own GPS): 0 s is the first frame.",
)
column_option = click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="WHAT=HEADER[:UNIT]",
    help="Name a table's column, such as speed=V:mph, rpm=N or time=T; or device=NAME, of several "
    "in a clip's own track. Repeat for more.",
)
units_option = click.option(
    "--units",
    type=click.Choice(list(SPEED_UNITS[:3])),
    default="mph",
    show_default=True,
    help="Unit of speed on the gauges and in the tables.",
)
split_option = click.option(
    "--split",
    "splits",
    multiple=True,
    metavar="GOAL",
    help="A split to time from launch, such as '60 m', '20 mph', '330 ft'; add ' rollout' to "
    "leave the first 0.3048 m out. Repeat for more.  [default: a set that fits the run]",
)
cover_option = click.option(
    "--cover",
    "covers",
    multiple=True,
    metavar="X,Y,W,H",
    help="Hide a wrong readout that the camera burnt in, in pixels from the top left. "
    "Repeat for more.",
)
leave_out_option = click.option(
    "--cover",
    "covers",
    multiple=True,
    metavar="X,Y,W,H",
    help="A part of the picture to leave out, such as a readout that the camera burnt in, in "
    "pixels from the top left. Repeat for more.",
)
ignore_option = click.option(
    "--ignore",
    "ignore",
    multiple=True,
    metavar="X,Y,W,H",
    help="A part of the picture to leave out when motion is measured, shown all the same: in "
    "pixels from the top left, or in shares of the picture such as 0,0,1,0.4. Repeat for more.",
)
offset_option = click.option(
    "--offset",
    "offset_s",
    type=float,
    metavar="SECONDS",
    help="Use this total offset (log time minus footage time of the same event) instead of "
    "measuring it.",
)


def encoder_options(command: Function) -> Function:
    """Add the options of everything that encodes."""
    for option in (
        click.option(
            "--preset",
            default="veryfast",
            show_default=True,
            metavar="NAME",
            help="Speed of the encoder, from ultrafast to veryslow: slower makes smaller files.",
        ),
        click.option(
            "--quality",
            type=click.IntRange(0, 63),
            metavar="CRF",
            help="Constant quality of the encoder: lower is better and larger.  [default: 19 for "
            "h264, 21 for h265, 28 for av1]",
        ),
        click.option(
            "--codec",
            type=click.Choice(["h264", "h265", "av1"]),
            default="h264",
            show_default=True,
            help="Video codec of the result.",
        ),
    ):
        command = option(command)
    return command


def parse_columns(columns: Sequence[str]) -> dict[str, str] | None:
    """``speed=V:mph`` and the like as a mapping.

    Raises
    ------
    UsageError
        If an item has no equals sign.
    """
    mapping: dict[str, str] = {}
    for item in columns:
        what, equals, header = item.partition("=")
        if not equals or not what or not header:
            raise UsageError(f"--column {item!r}: write WHAT=HEADER[:UNIT], such as speed=V:mph")
        mapping[what.strip()] = header.strip()
    return mapping or None


def parse_boxes(option: str, items: Sequence[str]) -> tuple[tuple[float, float, float, float], ...]:
    """``X,Y,W,H`` items as boxes; the picture's size is not known yet.

    Raises
    ------
    UsageError
        If an item is not four numbers, X and Y from 0, W and H above 0.
    """
    boxes = []
    for item in items:
        try:
            x, y, width, height = (float(part) for part in item.split(","))
        except ValueError:
            raise UsageError(f"{option} {item!r}: write four numbers X,Y,W,H") from None
        if not (x >= 0 and y >= 0 and width > 0 and height > 0):
            raise UsageError(f"{option} {item!r}: X and Y from 0, W and H above 0")
        boxes.append((x, y, width, height))
    return tuple(boxes)


def parse_covers(covers: Sequence[str]) -> tuple[tuple[int, int, int, int], ...]:
    """``X,Y,W,H`` items as pixel boxes.

    Raises
    ------
    UsageError
        If an item is not four whole numbers with a positive size.
    """
    found = []
    for item, (x, y, w, h) in zip(covers, parse_boxes("--cover", covers), strict=True):
        if any(not math.isfinite(n) or n != int(n) for n in (x, y, w, h)):
            raise UsageError(f"--cover {item!r}: write four whole numbers X,Y,W,H")
        found.append((int(x), int(y), int(w), int(h)))
    return tuple(found)


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
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description:<28}"), BarColumn(), TimeRemainingColumn())
    tasks: dict[str, TaskID] = {}
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:

        def show(stage: str, share: float) -> None:
            if stage not in tasks:
                tasks[stage] = bar.add_task(stage, total=1.0)
            bar.update(tasks[stage], completed=share)

        yield show


def say(line: str) -> None:
    """A line for a person, on standard error."""
    click.echo(line, err=True)


def with_options(*options: Callable[[Function], Function]) -> Callable[[Function], Function]:
    """Apply several option decorators in the order in which help shows them."""
    return lambda command: functools.reduce(lambda inner, add: add(inner), options[::-1], command)
