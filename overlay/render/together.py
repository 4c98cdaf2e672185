"""Runs side by side, launches at the same instant; each picture and gauge on its own time."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from overlay.errors import UsageError
from overlay.footage.model import ClipFacts
from overlay.render.encoder import EncodeOptions, choose_encoder
from overlay.render.graph import Look, nanoseconds, with_layers
from overlay.render.output import AAC, RenderReport, file_arguments, report_of, video_arguments
from overlay.render.pipeline import Feed, OnProgress, encode
from overlay.render.sound import mixed, placed
from overlay.render.source import Source, checked_target, common_colors, facts_of, source_of
from overlay.render.stills import png_of
from overlay.scene.arrangement import Geometry
from overlay.scene.layers import Layer, require_inside
from overlay.timebase import FloatArray, FrameTimes

_MICRO = 1_000_000
_FASTEST_HZ = 60
_COMMON_HZ = tuple(
    Fraction(rate)
    for rate in ("24000/1001", "24", "25", "30000/1001", "30", "50", "60000/1001", "60")
)
_GROUND = "0x101214"


@dataclass(frozen=True, eq=False)
class Side:
    """One run of a split-screen."""

    source: ClipFacts | str | os.PathLike[str]  # the footage
    launch_s: float  # footage time at which the vehicle starts to move
    end_s: float | None = None  # footage time after which the picture is held; None: the clip's end
    # On the whole finished picture, drawn for the footage time of the frame that this side shows,
    # which stands still at `end_s`.
    layers: Sequence[Layer] = ()


@dataclass(frozen=True, eq=False)
class SplitScreen:
    """Several runs as one picture, aligned at their launches."""

    sides: Sequence[Side]  # in reading order
    geometry: Geometry  # where each stands, from :func:`overlay.scene.geometry_of`
    # Laid on last and drawn on time since launch, in seconds (negative before).
    common: Sequence[Layer] = ()
    lead_s: float = 2.0  # seconds before launch; less where a clip starts later, which is said
    rate_hz: Fraction | None = None  # frames a second; None: the highest of the clips', at most 60
    # Which sides are heard, by index; None: all, panned from left to right.
    heard: Sequence[int] | None = None


@dataclass(frozen=True)
class _Timeline:
    """How output frames and the footage of each side belong together."""

    rate_hz: Fraction
    lead_s: float
    starts_s: tuple[float, ...]  # footage time of each side at output time 0
    lengths_s: tuple[float, ...]  # output time at which each side ends

    @property
    def frames(self) -> FrameTimes:
        """Output times."""
        return FrameTimes(np.arange(self.count), 1 / self.rate_hz)

    @property
    def count(self) -> int:
        """Output frames."""
        return max(1, math.ceil(max(self.lengths_s) * self.rate_hz - Fraction(1, 1000)))

    @property
    def total_s(self) -> float:
        return float(self.count / self.rate_hz)

    def shown(self, index: int) -> int:
        """Output frames until a side holds its last picture."""
        return max(1, round(self.lengths_s[index] * self.rate_hz))

    def first(self, index: int, number: int) -> int:
        """Output frame whose picture a side shows at that one."""
        return min(number, self.shown(index) - 1)


def compose_clips(
    screen: SplitScreen,
    target: str | os.PathLike[str],
    *,
    options: EncodeOptions | None = None,
    progress: OnProgress | None = None,
    metadata: Mapping[str, str] | None = None,
) -> RenderReport:
    """Write several runs as one picture, aligned at their launches.

    Output frame n stands at ``n / rate - lead`` seconds after launch. Each side shows the frame
    nearest to that instant, at most half an output frame away wherever the source has one; its
    layers are drawn for that frame's own time, so that figures belong to the picture under them.
    A side that is over holds its last picture until the longest is over.

    Parameters
    ----------
    target : path
        ``.mp4``, ``.mov`` or ``.mkv``.
    """
    options = options or EncodeOptions()
    facts = [facts_of(side.source) for side in screen.sides]
    final, suffix = checked_target(target, [one.path for one in facts])
    geometry = screen.geometry
    layers = [layer for side in screen.sides for layer in side.layers] + [*screen.common]
    require_inside(layers, *geometry.size)
    line, notes = _timeline(screen, facts)
    clips = [source_of(one) for one in facts]
    encoder = choose_encoder(options, bit_depth=min(one.bit_depth for one in facts))
    voices, said = _heard(screen.heard, facts, notes, is_kept=options.sound)
    matrix, tags = common_colors(facts)
    look, tick = Look(matrix, "tv", encoder.pixel_format, geometry.size), 1 / line.rate_hz
    pieces = _panes(clips, geometry, line, look, tags)
    n, times = len(clips), f"settb={tick}"
    pieces += with_layers(layers, look, "base", "out", first_input=n, times=times)
    pieces += _voices(voices, clips, line)
    after = ["-filter_complex", ";".join(pieces), "-map", "[out]"]
    after += ["-map", "[sound]", *AAC] if voices else []
    after += [*video_arguments(encoder, tick, suffix), "-map_chapters", "-1"]
    after += file_arguments(suffix, None, metadata or {})
    before = [w for c, s in zip(clips, line.starts_s, strict=True) for w in c.entered(s)]
    feeds = _feeds(screen, facts, line)
    outcome = encode(final, before, feeds, after, total_s=line.total_s, progress=progress)
    return report_of(target, geometry.size, outcome, line.total_s, encoder, said, notes)


def lasts_s(screen: SplitScreen) -> float:
    """How long the finished film is, seconds."""
    return _timeline(screen, [facts_of(side.source) for side in screen.sides])[0].total_s


def still_together(screen: SplitScreen, at_s: float, target: str | os.PathLike[str]) -> None:
    """Write as PNG what :func:`compose_clips` shows at a time of the finished film, seconds.

    It is the film's picture by the same filters, the last one for any later time.
    """
    facts = [facts_of(side.source) for side in screen.sides]
    line, _ = _timeline(screen, facts)
    number = min(max(0, int(at_s * line.rate_hz + Fraction(1, 1000))), line.count - 1)
    clips = [source_of(one) for one in facts]
    matrix, tags = common_colors(facts)
    kind = "yuv420p10le" if min(one.bit_depth for one in facts) > 8 else "yuv420p"
    look = Look(matrix, "tv", kind, screen.geometry.size)
    feeds = [
        replace(feed, times_s=feed.times_s[[number]], times_ns=[0])
        for feed in _feeds(screen, facts, line)
    ]
    graph = _panes(clips, screen.geometry, line, look, tags, only=number)
    graph += with_layers(
        [feed.layer for feed in feeds],
        look,
        "base",
        "flat",
        first_input=len(clips),
        times=f"settb={1 / line.rate_hz}",
    )
    before = []
    for index, (clip, start_s) in enumerate(zip(clips, line.starts_s, strict=True)):
        before += clip.entered(start_s + float(line.first(index, number) / line.rate_hz))
    after = png_of(graph, "flat", look, screen.geometry.size)
    encode(Path(target), before, feeds, after)


def output_rate(rates_hz: Sequence[Fraction]) -> Fraction:
    """The higher of the rates, at most 60, as the nearest common rate.

    Examples
    --------
    >>> output_rate([Fraction(25), Fraction(30000, 1001)])
    Fraction(30000, 1001)
    >>> output_rate([Fraction(120)]), output_rate([Fraction(2987, 100)])
    (Fraction(60, 1), Fraction(30000, 1001))
    """
    wanted = min(max(rates_hz), Fraction(_FASTEST_HZ))
    return min(_COMMON_HZ, key=lambda rate: abs(rate - wanted))


def _usual_rate_hz(facts: ClipFacts) -> Fraction:
    """Frames a second as the usual step tells; an average falls short where frames are missing."""
    return 1 / Fraction(facts.frame_times.median_step_s).limit_denominator(1_000_000)


def _timeline(screen: SplitScreen, facts: Sequence[ClipFacts]) -> tuple[_Timeline, list[str]]:
    sides, lead_s, notes = screen.sides, screen.lead_s, []
    for side, one in zip(sides, facts, strict=True):
        if not 0 <= side.launch_s < one.duration_s:
            raise UsageError(
                f"{one.path}: a launch at {side.launch_s:.3f} s is outside the clip of "
                f"{one.duration_s:.3f} s"
            )
        if side.end_s is not None and side.end_s <= side.launch_s:
            raise UsageError(
                f"{one.path}: the run ends at {side.end_s:.3f} s, before its launch at "
                f"{side.launch_s:.3f} s"
            )
    if lead_s < 0:
        raise UsageError(f"a lead of {lead_s} s: give 0 or more seconds before launch")
    possible_s = min(side.launch_s for side in sides)
    if possible_s < lead_s:
        notes.append(
            f"the clips show {possible_s:.2f} s before launch, so the lead is that "
            f"instead of {lead_s:.2f} s"
        )
        lead_s = possible_s
    rate = screen.rate_hz or output_rate([_usual_rate_hz(one) for one in facts])
    starts = tuple(side.launch_s - lead_s for side in sides)
    ends = [
        min(side.end_s if side.end_s is not None else one.duration_s, one.duration_s)
        for side, one in zip(sides, facts, strict=True)
    ]
    lengths = tuple(end - start for end, start in zip(ends, starts, strict=True))
    return _Timeline(rate, lead_s, starts, lengths), notes


def _feeds(screen: SplitScreen, facts: Sequence[ClipFacts], line: _Timeline) -> list[Feed]:
    stamps, at_s = nanoseconds(line.frames), line.frames.seconds
    feeds = []
    for index, (side, one) in enumerate(zip(screen.sides, facts, strict=True)):
        own_s = _shown_s(one, line, index)
        feeds += [Feed(layer, own_s, stamps) for layer in side.layers]
    return feeds + [Feed(layer, at_s - line.lead_s, stamps) for layer in screen.common]


def _shown_s(facts: ClipFacts, line: _Timeline, index: int) -> FloatArray:
    """Footage time of the frame that a side shows at each output frame, seconds."""
    times = facts.frame_times.seconds
    # The output frame at which each source frame comes first, in whole numbers as `_pane` rounds.
    ticks = np.rint(times * _MICRO).astype(np.int64) - round(line.starts_s[index] * _MICRO)
    rate, whole = line.rate_hz, line.rate_hz.denominator * _MICRO
    first = (2 * ticks * rate.numerator + whole) // (2 * whole)
    number = np.minimum(np.arange(line.count), line.shown(index) - 1)
    return np.asarray(times[np.maximum(np.searchsorted(first, number, side="right") - 1, 0)])


def _panes(
    clips: Sequence[Source],
    geometry: Geometry,
    line: _Timeline,
    look: Look,
    tags: str,
    only: int | None = None,
) -> list[str]:
    """Filters that put the clips into ``[base]``; with `only` that output frame alone."""
    pieces = [
        f"{_pane(clip, geometry, index, line, look, only)}[p{index}]"
        for index, clip in enumerate(clips)
    ]
    panes = "".join(f"[p{index}]" for index in range(len(clips)))
    places = "|".join(f"{cell.x}_{cell.y}" for cell in geometry.cells)
    # Filling costs a pass over the picture, so it is left out where the cells cover it all.
    covered = sum(cell.width * cell.height for cell in geometry.cells)
    whole = covered == geometry.width * geometry.height
    fill = "" if whole else f":fill={_GROUND},pad={geometry.width}:{geometry.height}:0:0:{_GROUND}"
    return [*pieces, f"{panes}xstack=inputs={len(clips)}:layout={places}{fill},{tags}[base]"]


def _pane(
    clip: Source,
    geometry: Geometry,
    index: int,
    line: _Timeline,
    look: Look,
    only: int | None = None,
) -> str:
    """Filters that bring one clip to its pane at the output's frames, or at one of them."""
    pane, cell = geometry.panes[index], geometry.cells[index]
    origin = round(clip.origin_s(line.starts_s[index]) * _MICRO)
    start, end, count = 0, line.shown(index), line.count
    if only is not None:
        start, count = line.first(index, only), 1
        end = start + 1
    filters = ["bwdif=mode=send_frame:deint=all"] if clip.facts.is_interlaced else []
    filters += [
        # A fine tick first: a shift by whole ticks of a coarse time base would be inexact.
        f"settb=1/{_MICRO}",
        f"setpts=PTS-({origin})",
        f"fps=fps={line.rate_hz}:start_time=0:round=near",
        f"trim=start_frame={start}:end_frame={end},setpts=N",
        f"scale={pane.width}:{pane.height}:in_color_matrix={clip.matrix}"
        f":in_range={clip.color_range}:out_color_matrix={look.matrix}:out_range=tv:flags=bicubic",
        f"format={look.pixel_format}",
        "setsar=1",
    ]
    if (pane.width, pane.height) != (cell.width, cell.height):
        x, y = pane.x - cell.x, pane.y - cell.y
        filters.append(f"pad={cell.width}:{cell.height}:{x}:{y}:color={_GROUND}")
    filters.append(f"tpad=stop=-1:stop_mode=clone,trim=end_frame={count}")
    return clip.stamped(index) + ",".join(filters)


def _voices(heard: Sequence[int], clips: Sequence[Source], line: _Timeline) -> list[str]:
    """Filters that mix the sides heard into ``[sound]``."""
    is_mixed = len(heard) > 1
    channels = "mono" if is_mixed else "stereo"
    names = [f"v{index}" if is_mixed else "sound" for index in heard]
    pieces = []
    for index, name in zip(heard, names, strict=True):
        origin_s = clips[index].origin_s(line.starts_s[index])
        chain = placed(f"{index}:a:0", origin_s, line.lengths_s[index], line.total_s, channels)
        pieces.append(f"{chain}[{name}]")
    return pieces + (mixed(names, "sound") if is_mixed else [])


def _heard(
    wanted: Sequence[int] | None, facts: Sequence[ClipFacts], notes: list[str], *, is_kept: bool
) -> tuple[list[int], str]:
    """Which sides are heard, and that in words; adds a note where one has no sound."""
    wanted = range(len(facts)) if wanted is None else wanted
    if any(not 0 <= index < len(facts) for index in wanted):
        raise UsageError(f"sound of sides {wanted}: there are {len(facts)}, counted from 0")
    wanted = wanted if is_kept else ()
    heard = [index for index in wanted if facts[index].audio_codec is not None]
    notes += [f"{facts[i].path}: has no sound" for i in wanted if i not in heard]
    if not heard:
        return [], "none in the source" if wanted else "left out as asked"
    if len(heard) > 1:
        return heard, "both, panned left and right" if len(heard) == 2 else "all, panned"
    return heard, f"of {Path(facts[heard[0]].path).name} only"
