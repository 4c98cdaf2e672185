"""Gauges burnt into one clip; every source frame stays, at its time."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs, require_file, written_whole
from overlay.footage.model import ClipFacts
from overlay.render.covers import Cover, cover_chain
from overlay.render.encoder import EncodeOptions, VideoEncoder, choose_encoder
from overlay.render.layers import Layer, require_inside
from overlay.render.pipeline import Feed, OnProgress, Outcome, run
from overlay.render.source import (
    base_chain,
    color_arguments,
    container_of,
    even_size,
    facts_of,
    matrix_of,
    range_of,
    sound_arguments,
    sound_tracks,
    tick_of,
)
from overlay.timebase import FrameTimes

_NANO = 1_000_000_000


@dataclass(frozen=True)
class RenderReport:
    """What was written, and what a person should know about it.

    Attributes
    ----------
    target : str
        The finished file.
    width, height : int
        Pixels as stored.
    frames : int
        Frames in the finished clip.
    duration_s : float
        Seconds of picture.
    encoder, pixel_format : str
        Such as ``libx264`` and ``yuv420p``.
    sound : str
        What became of the sound, in words.
    pictures : int
        Gauge pictures drawn.
    elapsed_s : float
        Wall time of the job in seconds.
    notes : tuple of str
        Anything that was changed, chosen or lost, one sentence each.
    """

    target: str
    width: int
    height: int
    frames: int
    duration_s: float
    encoder: str
    pixel_format: str
    sound: str
    pictures: int
    elapsed_s: float
    notes: tuple[str, ...]


def draw_clip(
    source: ClipFacts | str | os.PathLike[str],
    layers: Sequence[Layer],
    target: str | os.PathLike[str],
    *,
    options: EncodeOptions | None = None,
    covers: Sequence[Cover] = (),
    progress: OnProgress | None = None,
    metadata: Mapping[str, str] | None = None,
) -> RenderReport:
    """Write a clip with `layers` on the picture.

    Each source frame appears once, at its own time to the tick, with each layer as drawn for
    exactly that frame's footage time. Colours, range, pixel aspect and sound stay as they are;
    a turn asked for by the container is applied once.

    Parameters
    ----------
    source : ClipFacts or path
        The footage.
    layers : sequence of Layer
        Drawn in order, on footage time in seconds.
    target : path
        ``.mp4``, ``.mov`` or ``.mkv``; written whole or not at all.
    covers : sequence of Cover
        Parts of the picture hidden under the layers.
    progress : callable or None
        Called about twice a second.
    metadata : mapping or None
        Tags for the file, such as ``title`` and ``comment``.

    Raises
    ------
    InputError, UsageError, OutputError, EncoderError
        As their messages say; then nothing is left of the target.
    """
    started = time.monotonic()
    options = options or EncodeOptions()
    facts = facts_of(source)
    final = Path(target)
    suffix = container_of(final)
    forbid_overwriting_inputs(final, [require_file(facts.path)])
    width, height = even_size(facts)
    require_inside(layers, width, height)
    encoder = choose_encoder(options, bit_depth=facts.bit_depth)
    base, notes = base_chain(facts, encoder.pixel_format)
    sound, said = sound_arguments(sound_tracks(facts.path) if options.sound else [], suffix)
    if not options.sound:
        said = "left out as asked"
    graph = _graph(facts, layers, covers, base, encoder.pixel_format)
    after = ["-filter_complex", graph, "-map", "[out]", *sound]
    after += video_arguments(encoder, facts.frame_times, suffix) + color_arguments(facts)
    after += file_arguments(suffix, facts, metadata or {})
    times_s = facts.frame_times.seconds
    stamps = nanoseconds(facts.frame_times)
    feeds = [Feed(layer, times_s, stamps) for layer in layers]
    with written_whole(final) as part:
        after += [*_start_at_zero(facts), os.fspath(part.absolute())]
        outcome = run(
            ["-copyts", "-i", _named(facts.path)],
            feeds,
            after,
            total_s=facts.duration_s,
            progress=progress,
        )
    notes = [*notes, *encoder.notes, *_losses(facts, outcome)]
    if suffix == ".mkv":
        notes.append("MKV keeps times to a thousandth of a second; MP4 and MOV keep them exactly")
    return RenderReport(
        target=os.fspath(target),
        width=width,
        height=height,
        frames=outcome.frames,
        duration_s=facts.duration_s,
        encoder=encoder.name,
        pixel_format=encoder.pixel_format,
        sound=said,
        pictures=outcome.pictures,
        elapsed_s=time.monotonic() - started,
        notes=tuple(notes),
    )


def nanoseconds(times: FrameTimes) -> list[int]:
    """Footage time of each frame, rounded to whole nanoseconds.

    Examples
    --------
    >>> import numpy as np
    >>> nanoseconds(FrameTimes(np.array([7, 8, 10]), Fraction(1001, 30000)))
    [0, 33366667, 100100000]
    """
    base = times.time_base
    up, down = base.numerator * _NANO, base.denominator
    first = int(times.pts[0])
    return [((pts - first) * up + down // 2) // down for pts in times.pts.tolist()]


def layer_chains(
    layers: Sequence[Layer], first_input: int, matrix: str, color_range: str, pixel_format: str
) -> list[str]:
    """For each layer the filters that bring it to the colours of the picture."""
    deep = "yuva420p10le" if "10" in pixel_format else "yuva420p"
    return [
        f"[{first_input + index}:v]"
        f"scale=out_color_matrix={matrix}:out_range={color_range}:flags=accurate_rnd+bicubic,"
        f"format={deep}"
        for index, _ in enumerate(layers)
    ]


def overlay_chain(layers: Sequence[Layer], base: str, result: str, pixel_format: str) -> list[str]:
    """Filters that lay ``[g0]``, ``[g1]``, … on ``[base]`` in order, ending in ``[result]``."""
    kind = "yuv420p10" if "10" in pixel_format else "yuv420"
    chain, last = [], base
    for index, layer in enumerate(layers):
        made = result if index == len(layers) - 1 else f"{base}{index}"
        chain.append(
            f"[{last}][g{index}]overlay=x={layer.x}:y={layer.y}:eval=init:format={kind}[{made}]"
        )
        last = made
    return chain if layers else [f"[{base}]null[{result}]"]


def _graph(
    facts: ClipFacts,
    layers: Sequence[Layer],
    covers: Sequence[Cover],
    base: str,
    pixel_format: str,
) -> str:
    """The whole filter graph: footage, covers, then layers."""
    first = int(facts.frame_times.pts[0])
    # Layer pictures are stamped on footage time; the footage keeps the container's own times.
    onto = f",settb={facts.frame_times.time_base},setpts=PTS+({first})"
    prepared = layer_chains(layers, 1, matrix_of(facts), range_of(facts), pixel_format)
    pieces = [f"[0:V:0]{base}[bare]"]
    pieces += cover_chain(covers, "bare", "base", even_size(facts))
    pieces += [f"{chain}{onto}[g{index}]" for index, chain in enumerate(prepared)]
    pieces += overlay_chain(layers, "base", "out", pixel_format)
    return ";".join(pieces)


def video_arguments(encoder: VideoEncoder, times: FrameTimes, suffix: str) -> list[str]:
    """The encoder, with frames passed on at exactly their times."""
    tick = tick_of(times.time_base)
    arguments = [*encoder.arguments, "-fps_mode", "passthrough", "-enc_time_base", str(tick)]
    if suffix != ".mkv":
        arguments += ["-video_track_timescale", str(tick.denominator)]
    return arguments


def file_arguments(suffix: str, facts: ClipFacts, metadata: Mapping[str, str]) -> list[str]:
    """Container options and tags; of the source's tags only its creation time is carried on.

    A camera's other tags may hold the place of filming, which a published clip need not tell.
    """
    arguments = ["-map_metadata", "-1"]
    if suffix != ".mkv":
        arguments += ["-movflags", "+faststart", "-write_tmcd", "0"]
    tags = dict(metadata)
    if facts.created_utc is not None:
        tags.setdefault("creation_time", facts.created_utc.strftime("%Y-%m-%dT%H:%M:%S.%fZ"))
    for name, value in tags.items():
        if not name or "=" in name or "\0" in name + value:
            raise UsageError(f"the tag {name!r} cannot be written: use a plain name and text")
        arguments += ["-metadata", f"{name}={value}"]
    return arguments


def comment_tag(geometry: Mapping[str, object]) -> dict[str, str]:
    """A ``comment`` tag that holds `geometry` as JSON."""
    return {"comment": json.dumps(geometry, ensure_ascii=False, separators=(",", ":"))}


def _start_at_zero(facts: ClipFacts) -> list[str]:
    """Shift all streams alike, so that the earlier of picture and sound starts at 0.

    Streams cut from a broadcast start at any time. The shift is a whole number of ticks.
    """
    times = facts.frame_times
    begin = Fraction(int(times.pts[0])) * times.time_base
    if facts.audio_codec is not None:
        begin = min(begin, begin + Fraction(facts.audio_start_s).limit_denominator(1_000_000))
    if abs(begin) < Fraction(1, 10):
        return []
    ticks = begin // times.time_base
    return ["-output_ts_offset", f"{float(-ticks * times.time_base):.6f}"]


def _losses(facts: ClipFacts, outcome: Outcome) -> list[str]:
    """Differences between what the source promised and what was written."""
    notes = []
    expected = len(facts.frame_times)
    if facts.is_cut_off:
        notes.append(f"{facts.path}: the file is cut off; all {outcome.frames} frames were used")
    if outcome.frames != expected:
        notes.append(
            f"{facts.path}: {expected} frames are listed but {outcome.frames} could be decoded"
        )
    if outcome.complaints:
        notes.append(
            f"{facts.path}: the decoder met {len(outcome.complaints)} faults, such as: "
            + outcome.complaints[0]
        )
    return notes


def _named(path: str) -> str:
    """A name that the encoder cannot take for an option or a protocol."""
    return "file:" + os.path.abspath(path)
