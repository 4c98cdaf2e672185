"""Gauges burnt into one clip; every source frame stays, at its time."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping, Sequence
from fractions import Fraction

from overlay.files import written_whole
from overlay.footage.model import ClipFacts
from overlay.render.covers import Cover
from overlay.render.encoder import EncodeOptions
from overlay.render.graph import nanoseconds
from overlay.render.layers import Layer
from overlay.render.output import RenderReport, file_arguments, named, video_arguments
from overlay.render.pipeline import Feed, OnProgress, Outcome, run
from overlay.render.ready import make_ready, picture_graph
from overlay.render.source import color_arguments, sound_arguments, tick_of

_HIGH_RANGE = ("smpte2084", "arib-std-b67")


def draw_clip(
    source: ClipFacts | str | os.PathLike[str],
    layers: Sequence[Layer],
    target: str | os.PathLike[str],
    *,
    options: EncodeOptions | None = None,
    covers: Sequence[Cover | tuple[int, int, int, int]] = (),
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
    covers : sequence of Cover or (x, y, width, height)
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
    ready = make_ready(source, layers, target, options)
    facts, encoder, suffix = ready.facts, ready.encoder, ready.suffix
    sound, said = sound_arguments(ready.streams.sounds if options.sound else [], suffix)
    if not options.sound:
        said = "left out as asked"
    # Layer pictures are stamped on footage time; the footage keeps the container's own times.
    onto = f"setpts=PTS+({int(facts.frame_times.pts[0])})"
    graph = picture_graph(ready, layers, covers, onto=onto)
    after = ["-filter_complex", ";".join(graph), "-map", "[out]", *sound]
    after += video_arguments(
        encoder, tick_of(facts.frame_times.time_base), suffix
    ) + color_arguments(facts)
    after += file_arguments(suffix, facts.created_utc, metadata or {})
    times_s = facts.frame_times.seconds
    stamps = nanoseconds(facts.frame_times)
    feeds = [Feed(layer, times_s, stamps) for layer in layers]
    decoding = [] if options.threads is None else ["-threads", str(options.threads)]
    with written_whole(ready.final) as part:
        after += [*_start_at_zero(facts), os.fspath(part.absolute())]
        outcome = run(
            [*decoding, "-copyts", "-i", named(facts.path)],
            feeds,
            after,
            total_s=facts.duration_s,
            progress=progress,
        )
    notes = [*ready.notes, *encoder.notes, *_losses(facts, outcome)]
    if facts.color_transfer in _HIGH_RANGE:
        notes.append(
            "the footage is of high dynamic range, which is kept; gauges are mixed in as they "
            "are, so their white is as bright as the brightest light"
        )
    if suffix == ".mkv":
        notes.append("MKV keeps times to a thousandth of a second; MP4 and MOV keep them exactly")
    return RenderReport(
        target=os.fspath(target),
        width=ready.size[0],
        height=ready.size[1],
        frames=outcome.frames,
        duration_s=facts.duration_s,
        encoder=encoder.name,
        pixel_format=encoder.pixel_format,
        sound=said,
        pictures=outcome.pictures,
        elapsed_s=time.monotonic() - started,
        notes=tuple(notes),
    )


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
