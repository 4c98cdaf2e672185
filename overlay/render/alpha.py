"""The gauges alone on a clear ground, to be laid over the footage in any editor."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs
from overlay.footage.model import ClipFacts
from overlay.render.graph import laid, nanoseconds
from overlay.render.output import BT709, BT709_FILTER, RenderReport, file_arguments
from overlay.render.pipeline import Feed, OnProgress, encode
from overlay.render.source import even_size, facts_of, tick_of
from overlay.scene.layers import Layer, require_inside


@dataclass(frozen=True)
class _Kind:
    """An encoder, the format it is given, what layers are laid together in, and its name there.

    ``overlay`` mixes two transparencies rightly in 8 bits only; gauges have no more.
    """

    encoder: tuple[str, ...]
    pixel_format: str
    mixed_in: str
    overlay: str


_KINDS = {
    ".mov": _Kind(
        ("-c:v", "prores_ks", "-profile:v", "4444", "-alpha_bits", "16", "-vendor", "apl0"),
        "yuva444p10le",
        "yuva444p",
        "yuv444",
    ),
    ".webm": _Kind(
        ("-c:v", "libvpx-vp9", "-crf", "24", "-b:v", "0", "-cpu-used", "5", "-auto-alt-ref", "0"),
        "yuva420p",
        "yuva420p",
        "yuv420",
    ),
}


def encoder_arguments(suffix: str) -> tuple[str, ...]:
    """Arguments of the encoder for ``.mov`` or ``.webm``, with the format of its pictures."""
    return (*_KINDS[suffix].encoder, "-pix_fmt", _KINDS[suffix].pixel_format)


def alpha_clip(
    source: ClipFacts | str | os.PathLike[str],
    layers: Sequence[Layer],
    target: str | os.PathLike[str],
    *,
    progress: OnProgress | None = None,
) -> RenderReport:
    """Write the layers of a clip alone, with transparency, at the times of its frames.

    Parameters
    ----------
    source : ClipFacts or path
        The footage that the result will be laid over; its pictures are not read.
    target : path
        ``.mov`` for ProRes 4444 (editors), ``.webm`` for VP9 (small).
    """
    facts = facts_of(source)
    final = Path(target)
    suffix = final.suffix.lower()
    if suffix not in _KINDS:
        raise UsageError(f"{final}: transparency needs .mov (ProRes 4444) or .webm (VP9)")
    forbid_overwriting_inputs(final, [Path(facts.path)])
    require_inside(layers, *even_size(facts))
    kind, is_mov = _KINDS[suffix], suffix == ".mov"
    times_s, stamps = facts.frame_times.seconds, nanoseconds(facts.frame_times)
    clear = np.zeros((2, 2, 4), np.uint8)
    # The ground is a speck that carries the frame times; the encoder's side enlarges it.
    ground = Layer(0, 0, 2, 2, lambda _: clear)
    feeds = [Feed(layer, times_s, stamps) for layer in (ground, *layers)]
    tick = tick_of(facts)
    after = ["-filter_complex", _graph(facts, layers, kind), "-map", "[out]", *kind.encoder]
    after += ["-fps_mode", "passthrough", "-enc_time_base:v", str(tick)]
    after += BT709
    after += ["-video_track_timescale", str(tick.denominator)] if is_mov else []
    after += file_arguments(suffix if is_mov else ".mkv", facts.created_utc, {})
    outcome = encode(final, [], feeds, after, total_s=facts.duration_s, progress=progress)
    return RenderReport(
        os.fspath(target),
        *even_size(facts),
        outcome.frames,
        facts.duration_s,
        kind.encoder[1],
        kind.pixel_format,
        "left out, since it is with the footage",
        () if is_mov else ("WebM keeps times to a thousandth of a second",),
    )


def _graph(facts: ClipFacts, layers: Sequence[Layer], kind: _Kind) -> str:
    width, height = even_size(facts)
    aspect = facts.pixel_aspect
    to_color = f"scale=out_color_matrix=bt709:out_range=tv,format={kind.mixed_in}"
    base = f"settb={facts.frame_times.time_base}"
    pieces = [
        f"[0:v]{to_color},pad={width}:{height}:0:0:color=black@0,"
        f"setsar={aspect.numerator}/{aspect.denominator},{base}[base]"
    ]
    pieces += [f"[{index + 1}:v]{to_color},{base}[g{index}]" for index in range(len(layers))]
    pieces += laid(layers, range(len(layers)), "base", "flat", kind.overlay)
    pieces.append(f"[flat]format={kind.pixel_format},{BT709_FILTER}[out]")
    return ";".join(pieces)
