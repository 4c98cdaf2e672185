"""Gauges burnt into one clip; every source frame stays, at its time."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from fractions import Fraction

from overlay.footage.model import ClipFacts
from overlay.render.covers import Box, cover_chain
from overlay.render.encoder import EncodeOptions, choose_encoder
from overlay.render.graph import Look, nanoseconds, with_layers
from overlay.render.output import AAC, RenderReport, file_arguments, report_of, video_arguments
from overlay.render.pipeline import Feed, OnProgress, Outcome, encode
from overlay.render.slowed import SlowedTimes, moved, sound_chains
from overlay.render.source import (
    Source,
    base_chain,
    checked_target,
    color_arguments,
    sound_arguments,
    source_of,
    tick_of,
)
from overlay.scene.layers import Layer, require_inside

_HIGH_RANGE = ("smpte2084", "arib-std-b67")


# Many parameters: three are needed; each of the rest is something that a film may have besides.
def draw_clip(
    source: ClipFacts | str | os.PathLike[str],
    layers: Sequence[Layer],
    target: str | os.PathLike[str],
    *,
    options: EncodeOptions | None = None,
    covers: Sequence[Box] = (),
    slowed: SlowedTimes | None = None,
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
    layers : sequence of Layer
        Drawn in order, on footage time in seconds.
    target : path
        ``.mp4``, ``.mov`` or ``.mkv``.
    covers : sequence of (x, y, width, height)
        Parts of the picture hidden under the layers.
    slowed : SlowedTimes or None
        A section to slow down, from :func:`overlay.render.slowed.slowed_times`.
    metadata : mapping or None
        Tags for the file, such as ``title`` and ``comment``.
    """
    options = options or EncodeOptions()
    clip = source_of(source)
    facts, times = clip.facts, clip.facts.frame_times
    final, suffix = checked_target(target, [facts.path])
    require_inside(layers, *clip.size)
    encoder = choose_encoder(options, bit_depth=facts.bit_depth)
    look = Look(clip.matrix, clip.color_range, encoder.pixel_format, clip.size)
    base, notes = base_chain(clip, look.pixel_format)
    # Layer pictures are stamped on footage time; the footage keeps the container's own times.
    onto = f"settb={times.time_base}" + ("" if slowed else f",setpts=PTS+({clip.first_pts})")
    graph = [f"{base},{moved(slowed)}[bare]" if slowed else f"{base}[bare]"]
    graph += cover_chain(covers, "bare", "base", clip.size)
    graph += with_layers(layers, look, "base", "out", first_input=1, times=onto)
    chains, sound, said = _sound(clip, options, suffix, slowed)
    after = ["-filter_complex", ";".join(graph + chains), "-map", "[out]", *sound]
    after += [*video_arguments(encoder, tick_of(facts), suffix), *color_arguments(clip)]
    after += file_arguments(suffix, facts.created_utc, metadata or {})
    after += [] if slowed else _start_at_zero(clip)
    total_s = facts.duration_s + (slowed.added_s if slowed else 0.0)
    stamps = nanoseconds(slowed.shown if slowed else times)
    feeds = [Feed(layer, times.seconds, stamps) for layer in layers]
    before = [*options.for_threads, *clip.entered()]
    outcome = encode(final, before, feeds, after, total_s=total_s, progress=progress)
    notes += [*_losses(facts, outcome), *_kept(facts, suffix)]
    return report_of(target, clip.size, outcome, total_s, encoder, said, notes)


def _sound(
    clip: Source, options: EncodeOptions, suffix: str, slowed: SlowedTimes | None
) -> tuple[list[str], list[str], str]:
    """Filters, arguments, and what becomes of the sound in words."""
    if not options.sound:
        return [], [], "left out as asked"
    if slowed is None:
        return [], *sound_arguments(clip.sounds, suffix)
    if not clip.facts.audio_codec:
        return [], [], "none in the source"
    arguments = ["-map", "[sound]", *AAC]
    said = f"{slowed.sound} inside the slowed section"
    return sound_chains(clip, slowed), arguments, said


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


def _start_at_zero(clip: Source) -> list[str]:
    """Shift all streams alike, so that the earlier of picture and sound starts at 0.

    Streams cut from a broadcast start at any time. The shift is a whole number of ticks.
    """
    time_base = clip.facts.frame_times.time_base
    begin = Fraction(clip.first_pts) * time_base
    if clip.facts.audio_codec is not None:
        begin = min(begin, begin + Fraction(clip.facts.audio_start_s).limit_denominator(1_000_000))
    if abs(begin) < Fraction(1, 10):
        return []
    return ["-output_ts_offset", f"{float(-(begin // time_base) * time_base):.6f}"]


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
