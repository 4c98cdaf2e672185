"""Options of the commands about runs, and what they ask for: a run's, a film's, the encoder's."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from overlay.cli.shared import (
    column_option,
    cover_option,
    encoder_options,
    ignore_option,
    offset_option,
    parse_boxes,
    parse_columns,
    parse_covers,
    quiet_option,
    same_clock_option,
    say,
    shown_progress,
    split_option,
    units_option,
    with_options,
)
from overlay.errors import UsageError
from overlay.gauges import GAUGES

if TYPE_CHECKING:
    from overlay.jobs.film import FilmReport, FilmRun
    from overlay.render.encoder import EncodeOptions
    from overlay.scene import Style
    from overlay.session import RunOptions

Function = TypeVar("Function", bound=Callable[..., Any])
KINDS = tuple(kind for kind in GAUGES if kind != "gap")


def output_option(
    metavar: str = "OUT.mp4", about: str = "The clip to write."
) -> Callable[[Function], Function]:
    """The file to write."""
    return click.option("-o", "--output", required=True, metavar=metavar, help=about)


clip_and_logs = with_options(
    click.argument("clip", metavar="CLIP"),
    click.argument("logs", metavar="[LOG...]", nargs=-1),
)
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
lead_option = click.option(
    "--lead",
    "lead_s",
    type=click.FloatRange(0, 60),
    default=1.0,
    show_default=True,
    metavar="SECONDS",
    help="Time shown before the launch.",
)
encoding = with_options(encoder_options, hardware_option, quiet_option)
# Of clips that show several runs.
together_options = with_options(
    units_option, split_option, same_clock_option, ignore_option, column_option, layout_option
)
_OF_RUN = (same_clock_option, offset_option, cover_option, ignore_option, column_option)
run_options = with_options(units_option, split_option, gauges_option, layout_option, *_OF_RUN)
tag_options = with_options(units_option, split_option, *_OF_RUN)


def parse_gauges(text: str | None) -> Sequence[str] | None:
    """``ribbon,comb`` as kinds of gauge.

    Raises
    ------
    UsageError
        If one is unknown or named twice.
    """
    if text is None:
        return None
    names = [name.strip() for name in text.split(",")]
    found: list[str] = []
    for name in names:
        kind = next((known for known in KINDS if known == name), None)
        if kind is None or kind in found:
            wrong = "named twice" if kind else "unknown"
            raise UsageError(f"--gauges: {name!r} is {wrong}; choose from {','.join(KINDS)}")
        found.append(kind)
    return found


def options_of(words: dict[str, Any]) -> RunOptions:
    """What the words of a command say of its run."""
    from overlay.session import RunOptions

    return RunOptions(
        same_clock=words.get("same_clock", False),
        offset_s=words.get("offset_s"),
        columns=parse_columns(words.get("columns", ())),
        covers=parse_covers(words.get("covers", ())),
        ignore=parse_boxes("--ignore", words.get("ignore", ())),
        corrected=not words.get("uncorrected", False),
        rpm_from_sound=words.get("rpm_from_sound", False),
    )


def style_of(words: dict[str, Any]) -> Style:
    """How they want the film to look."""
    from overlay.scene import Style

    gauges = parse_gauges(words.get("gauges"))
    return Style(words["units"], words["splits"], gauges, words.get("layout"))


def encoder_of(words: dict[str, Any]) -> EncodeOptions:
    """How they want it encoded."""
    from overlay.render.encoder import EncodeOptions

    return EncodeOptions(*(words[name] for name in ("codec", "quality", "preset", "hardware")))


def run_of(clip: str, logs: Sequence[str], words: dict[str, Any]) -> FilmRun:
    """The run of a command about one run."""
    from overlay.jobs.film import FilmRun

    return FilmRun(clip, tuple(logs), options=options_of(words))


def tell(job: Callable[..., FilmReport], *arguments: Any, quiet: bool, **more: Any) -> FilmReport:
    """Do a job with its progress shown, and say what is known of each run."""
    with shown_progress(quiet=quiet) as progress:
        report = job(*arguments, progress=progress, **more)
    for line in report.lines[0] if len(report.lines) == 1 else ():
        say(line)
    return report


def say_runs(names: Sequence[str], report: FilmReport) -> None:
    """What is known of each of several runs, under its name."""
    for name, lines in zip(names, report.lines, strict=True):
        say(f"{name}:")
        for line in lines:
            say(f"  {line}")
