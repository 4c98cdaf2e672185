"""One clip checked and made ready to be drawn on, whatever is then done with its times."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from overlay.files import forbid_overwriting_inputs, require_file
from overlay.footage.model import ClipFacts
from overlay.render.covers import Cover, as_cover, cover_chain
from overlay.render.encoder import EncodeOptions, VideoEncoder, choose_encoder
from overlay.render.graph import layer_chains, overlay_chain
from overlay.render.source import (
    Streams,
    base_chain,
    container_of,
    even_size,
    facts_of,
    matrix_of,
    range_of,
    restamp,
    streams_of,
)
from overlay.scene.layers import Layer, require_inside


@dataclass(frozen=True)
class Ready:
    """A clip, its target and how it is encoded.

    Attributes
    ----------
    facts : ClipFacts
    streams : Streams
    final : Path
        The file to write, and its suffix.
    size : (int, int)
        Width and height of the finished picture.
    encoder : VideoEncoder
    base : str
        Filters that make the source ready for gauges.
    notes : tuple of str
        What they do, in words.
    """

    facts: ClipFacts
    streams: Streams
    final: Path
    suffix: str
    size: tuple[int, int]
    encoder: VideoEncoder
    base: str
    notes: tuple[str, ...]


def make_ready(
    source: ClipFacts | str | os.PathLike[str],
    layers: Sequence[Layer],
    target: str | os.PathLike[str],
    options: EncodeOptions,
) -> Ready:
    """Check source, layers and target before anything is written.

    Raises
    ------
    InputError, UsageError, OutputError, EncoderError
        As their messages say.
    """
    facts = facts_of(source)
    final = Path(target)
    suffix = container_of(final)
    forbid_overwriting_inputs(final, [require_file(facts.path)])
    size = even_size(facts)
    require_inside(layers, *size)
    encoder = choose_encoder(options, bit_depth=facts.bit_depth)
    streams = streams_of(facts.path)
    base, notes = base_chain(facts, encoder.pixel_format)
    if streams.is_restamped:
        base = f"{restamp(facts)},{base}"
    return Ready(facts, streams, final, suffix, size, encoder, base, tuple(notes))


def picture_graph(
    ready: Ready,
    layers: Sequence[Layer],
    covers: Sequence[Cover | tuple[int, int, int, int]],
    *,
    moved: str = "",
    onto: str = "",
) -> list[str]:
    """Filters from the clip and its layers to ``[out]``: footage, covers, then layers.

    Parameters
    ----------
    moved : str
        A filter that sets the footage's times, if they change.
    onto : str
        A filter that brings the layers, stamped on footage time, to the same times.
    """
    facts, kind = ready.facts, ready.encoder.pixel_format
    hidden = [as_cover(box) for box in covers]
    pieces = [f"[0:V:0]{ready.base}{moved and ','}{moved}[bare]"]
    pieces += cover_chain(hidden, "bare", "base", ready.size)
    prepared = layer_chains(layers, 1, matrix_of(facts), range_of(facts), kind)
    tick = f"settb={facts.frame_times.time_base}"
    pieces += [f"{chain},{tick}{onto and ','}{onto}[g{i}]" for i, chain in enumerate(prepared)]
    return pieces + overlay_chain(layers, "base", "out", kind, ready.size)
