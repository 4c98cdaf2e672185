"""Options that several commands share, and what they ask for: a run's, a film's, the encoder's."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from overlay.errors import UsageError
from overlay.files import require_no_device
from overlay.gauges import GAUGES
from overlay.jobs.film import FilmRun
from overlay.jobs.readout import BurntIn
from overlay.render.encoder import EncodeOptions
from overlay.scene import Style
from overlay.session import RunOptions
from overlay.units import SPEED_UNITS

Function = TypeVar("Function", bound=Callable[..., Any])
Box = tuple[float, float, float, float]
KINDS = tuple(kind for kind in GAUGES if kind != "gap")


class Finite(click.FloatRange):
    """A number that is finite, within a range where one is given."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value!r} is no number that is finite.", param, ctx)
        return number

    def _describe_range(self) -> str:
        return "" if self.min is None and self.max is None else super()._describe_range()


def with_options(*options: Callable[[Function], Function]) -> Callable[[Function], Function]:
    """Apply several option decorators in the order in which help shows them."""
    return lambda command: functools.reduce(lambda inner, add: add(inner), options[::-1], command)


def many(name: str, into: str, metavar: str, about: str) -> Callable[[Function], Function]:
    """An option that may be given again and again."""
    return click.option(name, into, multiple=True, metavar=metavar, help=about)


# Many parameters: each is a word of the option.
def number(
    name: str,
    into: str,
    metavar: str,
    about: str,
    *,
    within: tuple[float | None, float | None] = (None, None),
    default: float | None = None,
    required: bool = False,
) -> Callable[[Function], Function]:
    """An option that is one finite number."""
    words: dict[str, Any] = {"metavar": metavar, "help": about, "required": required}
    words |= {} if default is None else {"default": default, "show_default": True}
    return click.option(name, into, type=Finite(*within), **words)


def _no_device(_ctx: click.Context, _param: click.Parameter, value: str) -> str:
    require_no_device(Path(value))
    return value


def output_option(
    metavar: str = "OUT.mp4", about: str = "The clip to write."
) -> Callable[[Function], Function]:
    """The file to write."""
    words: dict[str, Any] = {"metavar": metavar, "help": about, "callback": _no_device}
    return click.option("-o", "--output", required=True, **words)


json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON object; everything else on stderr."
)
workers_option = click.option(
    "--workers",
    type=click.IntRange(1, 64),
    metavar="N",
    help="Runs worked on at once.  [default: the processor's cores]",
)
quiet_option = click.option("-q", "--quiet", is_flag=True, help="Show no progress.")
logs_argument = click.argument("logs", metavar="[LOG...]", nargs=-1)
clip_and_logs = with_options(click.argument("clip", metavar="CLIP"), logs_argument)
sheet_argument = click.argument("sheet", metavar="[SHEET]", default="day.toml")
same_clock_option = click.option(
    "--same-clock",
    is_flag=True,
    help="The log runs on the footage's own clock (the camera's own GPS): 0 s is the first frame.",
)
column_option = many(
    "--column",
    "columns",
    "WHAT=HEADER[:UNIT]",
    "Name a table's column, such as speed=V:mph, rpm=N or time=T; or device=NAME, of several "
    "in a clip's own track. Repeat for more.",
)
units_option = click.option(
    "--units",
    type=click.Choice(list(SPEED_UNITS[:3])),
    default="mph",
    show_default=True,
    help="Unit of speed on the gauges and in the tables.",
)
split_option = many(
    "--split",
    "splits",
    "GOAL",
    "A split to time from launch, such as '60 m', '20 mph', '330 ft'; add ' rollout' to "
    "leave the first 0.3048 m out. Repeat for more.  [default: a set that fits the run]",
)
cover_option = many(
    "--cover",
    "covers",
    "X,Y,W,H",
    "Hide a wrong readout that the camera burnt in, in pixels from the top left. Repeat for more.",
)
leave_out_option = many(
    "--cover",
    "covers",
    "X,Y,W,H",
    "A part of the picture to leave out, such as a readout that the camera burnt in, in "
    "pixels from the top left. Repeat for more.",
)
ignore_option = many(
    "--ignore",
    "ignore",
    "X,Y,W,H",
    "A part of the picture to leave out when motion is measured, shown all the same: in "
    "pixels from the top left, or in shares of the picture such as 0,0,1,0.4. Repeat for more.",
)
angle_option = number(
    "--angle-of-view",
    "angle_of_view_deg",
    "DEGREES",
    "Of the camera, across the longer side of the picture, where it is known; it serves where "
    "the ground has to be followed among other things.  [default: found in the clip]",
    within=(10, 170),
)
offset_option = number(
    "--offset",
    "offset_s",
    "SECONDS",
    "Use this total offset (log time minus footage time of the same event) instead of "
    "measuring it.",
)
rounding_option = click.option(
    "--rounding",
    type=click.Choice(["nearest", "down", "unknown"]),
    default="unknown",
    show_default=True,
    help="How the figures of a log in coarse steps came about: 23 for 22.5 to 23.5, for 23 to 24, "
    "or either, which the ± then holds.",
)
burnt_in_options = with_options(
    click.option(
        "--box",
        metavar="X,Y,W,H",
        help="Where the burnt-in speed stands, number and unit inside, in pixels from the top "
        "left.  [default: found by itself]",
    ),
    click.option(
        "--unit",
        type=click.Choice(list(SPEED_UNITS)),
        help="Unit of the burnt-in speed.  [default: as written behind it]",
    ),
)
readout_options = with_options(
    click.option(
        "--readout",
        is_flag=True,
        help="Take the speed that the camera burnt into the picture for the log.",
    ),
    burnt_in_options,
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
lead_option = number(
    "--lead", "lead_s", "SECONDS", "Time shown before the launch.", within=(0, 60), default=1.0
)
encoder_options = with_options(
    click.option(
        "--codec",
        type=click.Choice(["h264", "h265", "av1"]),
        default="h264",
        show_default=True,
        help="Video codec of the result.",
    ),
    click.option(
        "--quality",
        type=click.IntRange(0, 63),
        metavar="CRF",
        help="Constant quality of the encoder: lower is better and larger.  [default: 19 for "
        "h264, 21 for h265, 28 for av1]",
    ),
    click.option(
        "--preset",
        default="veryfast",
        show_default=True,
        metavar="NAME",
        help="Speed of the encoder, from ultrafast to veryslow: slower makes smaller files.",
    ),
)
hardware_option = click.option(
    "--hardware",
    is_flag=True,
    help="Encode by hardware where a trial shows that it works; else by software, and say so.",
)
encoding = with_options(encoder_options, hardware_option, quiet_option)
_looking = with_options(ignore_option, angle_option, column_option, rounding_option)
measuring = with_options(leave_out_option, _looking)
# Of clips that show several runs.
together_options = with_options(
    units_option,
    split_option,
    same_clock_option,
    ignore_option,
    angle_option,
    column_option,
    layout_option,
)
_of_run = with_options(same_clock_option, offset_option, cover_option, _looking)
run_options = with_options(units_option, split_option, gauges_option, layout_option, _of_run)
tag_options = with_options(units_option, split_option, _of_run)


def options_of(words: dict[str, Any]) -> RunOptions:
    """What the words of a command say of its run."""
    return RunOptions(
        same_clock=words.get("same_clock", False),
        offset_s=words.get("offset_s"),
        columns=parse_columns(words.get("columns", ())),
        covers=parse_covers(words.get("covers", ())),
        ignore=parse_boxes("--ignore", words.get("ignore", ())),
        angle_of_view_deg=words.get("angle_of_view_deg"),
        rounding=words.get("rounding", "unknown"),
        corrected=not words.get("uncorrected", False),
        rpm_from_sound=words.get("rpm_from_sound", False),
    )


def burnt_in(words: dict[str, Any]) -> BurntIn:
    """What they say of a speed burnt into the picture.

    Raises
    ------
    UsageError
        If they say something of one that is not to be read.
    """
    box = None if words["box"] is None else parse_covers((words["box"],), "--box")[0]
    if not words.get("readout", True) and (box or words["unit"]):
        raise UsageError("--box and --unit are of a burnt-in speed: add --readout")
    return BurntIn(box, words["unit"])


def style_of(words: dict[str, Any]) -> Style:
    """How they want the film to look."""
    gauges = parse_gauges(words.get("gauges"))
    return Style(words["units"], words["splits"], gauges, words.get("layout"))


def encoder_of(words: dict[str, Any]) -> EncodeOptions:
    """How they want it encoded."""
    return EncodeOptions(*(words[name] for name in ("codec", "quality", "preset", "hardware")))


def run_of(clip: str, logs: Sequence[str], words: dict[str, Any]) -> FilmRun:
    """The run of a command about one run."""
    return FilmRun(clip, tuple(logs), options=options_of(words))


def parse_gauges(text: str | None) -> Sequence[str] | None:
    """``ribbon,comb`` as kinds of gauge.

    Raises
    ------
    UsageError
        If one is unknown or named twice.
    """
    if text is None:
        return None
    found: list[str] = []
    for name in (name.strip() for name in text.split(",")):
        kind = next((known for known in KINDS if known == name), None)
        if kind is None or kind in found:
            wrong = "named twice" if kind else "unknown"
            raise UsageError(f"--gauges: {name!r} is {wrong}; choose from {','.join(KINDS)}")
        found.append(kind)
    return found


def parse_columns(columns: Sequence[str]) -> dict[str, str] | None:
    """``speed=V:mph`` and the like as a mapping.

    Raises
    ------
    UsageError
        If an item has no equals sign.
    """
    mapping: dict[str, str] = {}
    for item in columns:
        what, _, header = item.partition("=")
        if not what or not header:
            raise UsageError(f"--column {item!r}: write WHAT=HEADER[:UNIT], such as speed=V:mph")
        mapping[what.strip()] = header.strip()
    return mapping or None


def parse_boxes(option: str, items: Sequence[str]) -> tuple[Box, ...]:
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


def parse_covers(
    covers: Sequence[str], option: str = "--cover"
) -> tuple[tuple[int, int, int, int], ...]:
    """``X,Y,W,H`` items as pixel boxes.

    Raises
    ------
    UsageError
        If an item is not four whole numbers with a positive size.
    """
    found = []
    for item, (x, y, w, h) in zip(covers, parse_boxes(option, covers), strict=True):
        if any(not math.isfinite(n) or n != int(n) for n in (x, y, w, h)):
            raise UsageError(f"{option} {item!r}: write four whole numbers X,Y,W,H")
        found.append((int(x), int(y), int(w), int(h)))
    return tuple(found)
