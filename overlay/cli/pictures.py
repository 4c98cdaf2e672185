"""Options that the commands which draw gauges share, and the request made of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from overlay.cli.shared import (
    column_option,
    cover_option,
    offset_option,
    parse_columns,
    parse_covers,
    same_clock_option,
    say,
    split_option,
    units_option,
    with_options,
)
from overlay.errors import UsageError

if TYPE_CHECKING:
    from overlay.gauges.layout import GaugeKind
    from overlay.jobs.draw import DrawReport, DrawRequest

Function = TypeVar("Function", bound=Callable[..., Any])
KINDS: tuple[GaugeKind, ...] = ("ribbon", "comb", "ladder", "accel", "strip")

gauges_option = click.option(
    "--gauges",
    metavar="LIST",
    help=f"Gauges to draw, of {','.join(KINDS)}.  [default: ribbon,comb,ladder]",
)
layout_option = click.option(
    "--layout",
    metavar="FILE.toml",
    help="Places of the gauges, instead of the built-in layout for this shape of picture.",
)
hardware_option = click.option(
    "--hardware",
    is_flag=True,
    help="Encode by hardware where a trial shows that it works; else by software, and say so.",
)
output_option = click.option(
    "-o", "--output", required=True, metavar="OUT.mp4", help="The clip to write."
)
lead_option = click.option(
    "--lead",
    "lead_s",
    type=click.FloatRange(0, 60),
    default=1.0,
    show_default=True,
    metavar="SECONDS",
    help="Time shown before the launch.",
)
# Of clips that show several runs.
together_options = with_options(
    units_option, split_option, same_clock_option, column_option, layout_option
)
run_options = with_options(
    units_option,
    split_option,
    gauges_option,
    layout_option,
    same_clock_option,
    offset_option,
    cover_option,
    column_option,
)


def parse_gauges(text: str | None) -> Sequence[GaugeKind] | None:
    """``ribbon,comb`` as kinds of gauge.

    Raises
    ------
    UsageError
        If one is unknown or named twice.
    """
    if text is None:
        return None
    names = [name.strip() for name in text.split(",")]
    found: list[GaugeKind] = []
    for name in names:
        kind = next((known for known in KINDS if known == name), None)
        if kind is None or kind in found:
            wrong = "named twice" if kind else "unknown"
            raise UsageError(f"--gauges: {name!r} is {wrong}; choose from {','.join(KINDS)}")
        found.append(kind)
    return found


def request_of(options: dict[str, Any], **more: Any) -> DrawRequest:
    """What :data:`run_options` and the encoder options ask for."""
    from overlay.jobs.draw import DrawRequest

    made = {
        "splits": options["splits"],
        "columns": parse_columns(options["columns"]),
        "gauges": parse_gauges(options.get("gauges")),
        "covers": tuple(parse_covers(options.get("covers", ()))),
    }
    same = ("units", "same_clock", "offset_s", "layout", "codec", "quality", "preset", "hardware")
    made |= {name: options[name] for name in same if name in options}
    return DrawRequest(**made | more)


def say_reports(names: Sequence[str], reports: Sequence[DrawReport]) -> None:
    """What is known of each run, under its name."""
    for name, report in zip(names, reports, strict=True):
        say(f"{name}:")
        for line in report.lines:
            say(f"  {line}")
