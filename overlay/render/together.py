"""Runs side by side, launches at the same instant; each picture and gauge on its own time."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs, require_file, written_whole
from overlay.footage.model import ClipFacts
from overlay.render.encoder import EncodeOptions, VideoEncoder, choose_encoder
from overlay.render.graph import layer_chains, overlay_chain
from overlay.render.output import RenderReport, file_arguments, named, video_arguments
from overlay.render.pipeline import Feed, OnProgress, run
from overlay.render.sound import mixed, placed
from overlay.render.source import (
    common_colors,
    container_of,
    facts_of,
    matrix_of,
    range_of,
    restamp,
    streams_of,
)
from overlay.scene.arrangement import Geometry
from overlay.scene.layers import Layer, require_inside

_SEEK_MARGIN_S = 2.0
_MICRO = 1_000_000
_FASTEST_HZ = 60
_COMMON_HZ = tuple(
    Fraction(rate)
    for rate in ("24000/1001", "24", "25", "30000/1001", "30", "50", "60000/1001", "60")
)
_GROUND = "0x101214"


@dataclass(frozen=True, eq=False)
class Side:
    """One run of a split-screen.

    Attributes
    ----------
    source : ClipFacts or path
        The footage.
    launch_s : float
        Footage time at which the vehicle starts to move.
    end_s : float or None
        Footage time after which the picture is held; None: the clip's end.
    layers : sequence of Layer
        On the whole finished picture, drawn on this side's own footage time, which stands still
        at `end_s`.
    """

    source: ClipFacts | str | os.PathLike[str]
    launch_s: float
    end_s: float | None = None
    layers: Sequence[Layer] = ()


@dataclass(frozen=True)
class _Timeline:
    """How output frames and the footage of each side belong together."""

    rate_hz: Fraction
    lead_s: float
    starts_s: tuple[float, ...]  # footage time of each side at output time 0
    lengths_s: tuple[float, ...]  # output time at which each side ends

    @property
    def frames(self) -> int:
        return max(1, math.ceil(max(self.lengths_s) * self.rate_hz - Fraction(1, 1000)))

    @property
    def total_s(self) -> float:
        return float(self.frames / self.rate_hz)


def compose_clips(
    sides: Sequence[Side],
    geometry: Geometry,
    target: str | os.PathLike[str],
    *,
    common: Sequence[Layer] = (),
    lead_s: float = 2.0,
    rate_hz: Fraction | None = None,
    heard: Sequence[int] | None = None,
    options: EncodeOptions | None = None,
    progress: OnProgress | None = None,
    metadata: Mapping[str, str] | None = None,
) -> RenderReport:
    """Write several runs as one picture, aligned at their launches.

    Output frame n stands at ``n / rate - lead`` seconds after launch. Each side shows the frame
    nearest to that instant, at most half an output frame away wherever the source has one; its
    layers are drawn for exactly that instant. A side that is over holds its last picture until
    the longest is over.

    Parameters
    ----------
    sides : sequence of Side
        In reading order.
    geometry : Geometry
        Where each stands, from :func:`overlay.scene.geometry_of`.
    target : path
        ``.mp4``, ``.mov`` or ``.mkv``; written whole or not at all.
    common : sequence of Layer
        Laid on last and drawn on time since launch, in seconds (negative before).
    lead_s : float
        Seconds before launch; less where a clip starts later, which is said.
    rate_hz : Fraction or None
        Frames a second; None: the highest of the clips', at most 60.
    heard : sequence of int or None
        Which sides are heard, by index; None: all, panned from left to right.

    Raises
    ------
    InputError, UsageError, OutputError, EncoderError
        As their messages say; then nothing is left of the target.
    """
    started = time.monotonic()
    options = options or EncodeOptions()
    heard = tuple(range(len(sides))) if heard is None else tuple(heard)
    if any(not 0 <= index < len(sides) for index in heard):
        raise UsageError(f"sound of sides {heard}: there are {len(sides)}, counted from 0")
    final = Path(target)
    suffix = container_of(final)
    facts = [facts_of(side.source) for side in sides]
    forbid_overwriting_inputs(final, [require_file(one.path) for one in facts])
    layers = [layer for side in sides for layer in side.layers] + [*common]
    require_inside(layers, geometry.width, geometry.height)
    line, notes = _timeline(sides, facts, lead_s, rate_hz)
    encoder = choose_encoder(options, bit_depth=min(one.bit_depth for one in facts))
    voices, said = _heard(heard if options.sound else (), facts, notes)
    pieces = _graph(facts, geometry, line, layers, encoder, voices)
    after = ["-filter_complex", ";".join(pieces), "-map", "[out]"]
    if voices:
        after += ["-map", "[sound]", "-c:a", "aac", "-b:a", "192k"]
    after += [*video_arguments(encoder, 1 / line.rate_hz, suffix), "-map_chapters", "-1"]
    after += file_arguments(suffix, None, metadata or {})
    before = [
        word
        for one, start_s in zip(facts, line.starts_s, strict=True)
        for word in _input(one, start_s)
    ]
    with written_whole(final) as part:
        outcome = run(
            before,
            _feeds(sides, common, line),
            [*after, os.fspath(part.absolute())],
            total_s=line.total_s,
            progress=progress,
        )
    return RenderReport(
        target=os.fspath(target),
        width=geometry.width,
        height=geometry.height,
        frames=outcome.frames,
        duration_s=line.total_s,
        encoder=encoder.name,
        pixel_format=encoder.pixel_format,
        sound=said,
        pictures=outcome.pictures,
        elapsed_s=time.monotonic() - started,
        notes=(*notes, *encoder.notes),
    )


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


def _timeline(
    sides: Sequence[Side],
    facts: Sequence[ClipFacts],
    lead_s: float,
    rate_hz: Fraction | None,
) -> tuple[_Timeline, list[str]]:
    notes = []
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
    rate = rate_hz or output_rate([_usual_rate_hz(one) for one in facts])
    starts = tuple(side.launch_s - lead_s for side in sides)
    ends = [
        min(side.end_s if side.end_s is not None else one.duration_s, one.duration_s)
        for side, one in zip(sides, facts, strict=True)
    ]
    lengths = tuple(end - start for end, start in zip(ends, starts, strict=True))
    return _Timeline(rate, lead_s, starts, lengths), notes


def _feeds(sides: Sequence[Side], common: Sequence[Layer], line: _Timeline) -> list[Feed]:
    count = line.frames
    up, down = line.rate_hz.denominator * 1_000_000_000, line.rate_hz.numerator
    stamps = [(index * up + down // 2) // down for index in range(count)]
    at_s = np.arange(count) * line.rate_hz.denominator / line.rate_hz.numerator
    feeds = []
    for side, start_s, length_s in zip(sides, line.starts_s, line.lengths_s, strict=True):
        own_s = start_s + np.minimum(at_s, length_s)
        feeds += [Feed(layer, own_s, stamps) for layer in side.layers]
    return feeds + [Feed(layer, at_s - line.lead_s, stamps) for layer in common]


def _input(facts: ClipFacts, start_s: float) -> list[str]:
    """Open a clip, skipping most of what comes before `start_s`; its times stay its own."""
    words = ["-copyts"]
    if start_s > 2 * _SEEK_MARGIN_S and streams_of(facts.path).has_index:
        # Early enough whatever stream the container starts with; the graph cuts exactly.
        words += ["-ss", f"{start_s - _SEEK_MARGIN_S:.3f}"]
    return [*words, "-i", named(facts.path)]


def _origin_s(facts: ClipFacts, start_s: float) -> float:
    """The container's own time of footage time `start_s`."""
    times = facts.frame_times
    return float(int(times.pts[0]) * times.time_base) + start_s


def _graph(
    facts: Sequence[ClipFacts],
    geometry: Geometry,
    line: _Timeline,
    layers: Sequence[Layer],
    encoder: VideoEncoder,
    heard: Sequence[int],
) -> list[str]:
    colors = common_colors(facts)
    kind = encoder.pixel_format
    pieces = [
        f"[{index}:V:0]{_pane(one, geometry, index, line, colors.matrix, kind)}[p{index}]"
        for index, one in enumerate(facts)
    ]
    panes = "".join(f"[p{index}]" for index in range(len(facts)))
    places = "|".join(f"{cell.x}_{cell.y}" for cell in geometry.cells)
    # Filling costs a pass over the picture, so it is left out where the cells cover it all.
    covered = sum(cell.width * cell.height for cell in geometry.cells)
    whole = covered == geometry.width * geometry.height
    fill = "" if whole else f":fill={_GROUND},pad={geometry.width}:{geometry.height}:0:0:{_GROUND}"
    pieces.append(f"{panes}xstack=inputs={len(facts)}:layout={places}{fill},{colors.tags}[base]")
    tick = 1 / line.rate_hz
    prepared = layer_chains(layers, len(facts), colors.matrix, "tv", encoder.pixel_format)
    pieces += [f"{chain},settb={tick}[g{index}]" for index, chain in enumerate(prepared)]
    pieces += overlay_chain(
        layers, "base", "out", encoder.pixel_format, (geometry.width, geometry.height)
    )
    for index in heard:
        origin_s = _origin_s(facts[index], line.starts_s[index])
        channels = "mono" if len(heard) > 1 else "stereo"
        chain = placed(f"{index}:a:0", origin_s, line.lengths_s[index], line.total_s, channels)
        pieces.append(f"{chain}[{'sound' if len(heard) == 1 else f'v{index}'}]")
    if len(heard) > 1:
        pieces += mixed([f"v{index}" for index in heard], "sound")
    return pieces


def _pane(
    facts: ClipFacts,
    geometry: Geometry,
    index: int,
    line: _Timeline,
    matrix: str,
    pixel_format: str,
) -> str:
    """Filters that bring one clip to its pane at the output's frames."""
    pane, cell = geometry.panes[index], geometry.cells[index]
    origin = round(_origin_s(facts, line.starts_s[index]) * _MICRO)
    shown = max(1, round(line.lengths_s[index] * line.rate_hz))
    filters = [restamp(facts)] if streams_of(facts.path).is_restamped else []
    filters += ["bwdif=mode=send_frame:deint=all"] if facts.is_interlaced else []
    filters += [
        # A fine tick first: a shift by whole ticks of a coarse time base would be inexact.
        f"settb=1/{_MICRO}",
        f"setpts=PTS-({origin})",
        f"fps=fps={line.rate_hz}:start_time=0:round=near",
        f"trim=end_frame={shown}",
        f"scale={pane.width}:{pane.height}:in_color_matrix={matrix_of(facts)}"
        f":in_range={range_of(facts)}:out_color_matrix={matrix}:out_range=tv:flags=bicubic",
        f"format={pixel_format}",
        "setsar=1",
    ]
    if (pane.width, pane.height) != (cell.width, cell.height):
        x, y = pane.x - cell.x, pane.y - cell.y
        filters.append(f"pad={cell.width}:{cell.height}:{x}:{y}:color={_GROUND}")
    filters.append(f"tpad=stop=-1:stop_mode=clone,trim=end_frame={line.frames}")
    return ",".join(filters)


def _heard(
    wanted: Sequence[int], facts: Sequence[ClipFacts], notes: list[str]
) -> tuple[list[int], str]:
    """Which sides are heard, and that in words; adds a note where one has no sound."""
    heard = [index for index in wanted if facts[index].audio_codec is not None]
    notes += [f"{facts[i].path}: has no sound" for i in wanted if i not in heard]
    if not heard:
        return [], "none in the source" if wanted else "left out as asked"
    if len(heard) > 1:
        return heard, "both, panned left and right" if len(heard) == 2 else "all, panned"
    return heard, f"of {Path(facts[heard[0]].path).name} only"
