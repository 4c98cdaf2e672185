"""Gauges burnt into one clip; every source frame stays, at its time."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping, Sequence
from fractions import Fraction

from overlay.errors import UsageError
from overlay.files import written_whole
from overlay.footage.model import ClipFacts
from overlay.render.covers import Cover
from overlay.render.encoder import EncodeOptions
from overlay.render.graph import nanoseconds
from overlay.render.output import RenderReport, file_arguments, named, video_arguments
from overlay.render.pipeline import Feed, OnProgress, Outcome, run
from overlay.render.ready import make_ready, picture_graph
from overlay.render.slowed import SOUNDS, SlowedTimes, moved, sound_chains
from overlay.render.source import color_arguments, sound_arguments, tick_of
from overlay.scene.layers import Layer

_HIGH_RANGE = ("smpte2084", "arib-std-b67")


def draw_clip(
    source: ClipFacts | str | os.PathLike[str],
    layers: Sequence[Layer],
    target: str | os.PathLike[str],
    *,
    options: EncodeOptions | None = None,
    covers: Sequence[Cover | tuple[int, int, int, int]] = (),
    slowed: SlowedTimes | None = None,
    slowed_sound: str = "stretched",
    progress: OnProgress | None = None,
    metadata: Mapping[str, str] | None = None,
) -> RenderReport:
    """Write a clip with `layers` on the picture.

    Each source frame appears once, at its own time to the tick, with each layer as drawn for
    exactly that frame's footage time. Colours, range, pixel aspect and sound stay as they are;
    a turn asked for by the container is applied once. Inside a slowed section each frame stays on
    screen longer; none is invented.

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
    slowed : SlowedTimes or None
        A section to slow down, from :func:`overlay.render.slowed.slowed_times`.
    slowed_sound : str
        Inside that section ``stretched`` (as long as the picture, at its pitch) or ``muted``.
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
    if slowed_sound not in SOUNDS:
        raise UsageError(f"unknown sound {slowed_sound!r}: use one of {', '.join(SOUNDS)}")
    ready = make_ready(source, layers, target, options)
    facts, encoder, suffix = ready.facts, ready.encoder, ready.suffix
    if slowed is None:
        # Layer pictures are stamped on footage time; the footage keeps the container's own times.
        times, total_s, start = facts.frame_times, facts.duration_s, _start_at_zero(facts)
        graph = picture_graph(ready, layers, covers, onto=f"setpts=PTS+({int(times.pts[0])})")
        sound, said = sound_arguments(ready.streams.sounds if options.sound else [], suffix)
    else:
        times, total_s, start = slowed.shown, facts.duration_s + slowed.added_s, []
        graph = picture_graph(ready, layers, covers, moved=moved(slowed))
        sound, said = [], "none in the source"
        if options.sound and facts.audio_codec:
            graph += sound_chains(facts, slowed, slowed_sound)
            sound = ["-map", "[sound]", "-c:a", "aac", "-b:a", "192k"]
            said = f"{slowed_sound} inside the slowed section"
    said = said if options.sound else "left out as asked"
    tick = tick_of(facts.frame_times.time_base)
    after = ["-filter_complex", ";".join(graph), "-map", "[out]", *sound]
    after += [*video_arguments(encoder, tick, suffix), *color_arguments(facts)]
    after += [*file_arguments(suffix, facts.created_utc, metadata or {}), *start]
    stamps = nanoseconds(times)
    decoding = [] if options.threads is None else ["-threads", str(options.threads)]
    with written_whole(ready.final) as part:
        outcome = run(
            [*decoding, "-copyts", "-i", named(facts.path)],
            [Feed(layer, facts.frame_times.seconds, stamps) for layer in layers],
            [*after, os.fspath(part.absolute())],
            total_s=total_s,
            progress=progress,
        )
    return RenderReport(
        target=os.fspath(target),
        width=ready.size[0],
        height=ready.size[1],
        frames=outcome.frames,
        duration_s=total_s,
        encoder=encoder.name,
        pixel_format=encoder.pixel_format,
        sound=said,
        pictures=outcome.pictures,
        elapsed_s=time.monotonic() - started,
        notes=(*ready.notes, *encoder.notes, *_losses(facts, outcome), *_kept(facts, suffix)),
    )


def _kept(facts: ClipFacts, suffix: str) -> list[str]:
    """What a person should know of colours and times."""
    notes = []
    if facts.color_transfer in _HIGH_RANGE:
        notes.append(
            "the footage is of high dynamic range, which is kept; gauges are mixed in as they "
            "are, so their white is as bright as the brightest light"
        )
    if suffix == ".mkv":
        notes.append("MKV keeps times to a thousandth of a second; MP4 and MOV keep them exactly")
    return notes


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
