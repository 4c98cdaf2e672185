"""One picture of a clip with its gauges, as PNG."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs, require_file
from overlay.footage.model import ClipFacts
from overlay.render.covers import Box, cover_chain
from overlay.render.graph import Look, with_layers
from overlay.render.pipeline import Feed, encode
from overlay.render.source import base_chain, source_of
from overlay.scene.layers import Layer, require_inside


def still(
    source: ClipFacts | str | os.PathLike[str],
    layers: Sequence[Layer],
    at_s: float,
    target: str | os.PathLike[str],
    *,
    covers: Sequence[Box] = (),
) -> float:
    """Write the picture on screen at a footage time, layers included.

    The layers are drawn for the time of the frame that is shown, as in the finished clip.

    Parameters
    ----------
    at_s : float
        Footage time in seconds, from 0 to the clip's end.
    target : path
        ``.png``, with square pixels.

    Returns
    -------
    float
        Footage time of the frame shown, seconds.
    """
    clip = source_of(source)
    facts, (width, height) = clip.facts, clip.size
    final = Path(target)
    if final.suffix.lower() != ".png":
        raise UsageError(f"{final}: a still is written as PNG; end the name with .png")
    if not 0 <= at_s <= facts.duration_s:
        raise UsageError(
            f"{facts.path}: no picture at {at_s:.3f} s; the clip lasts {facts.duration_s:.3f} s"
        )
    forbid_overwriting_inputs(final, [require_file(facts.path)])
    require_inside(layers, width, height)
    times_s = facts.frame_times.seconds
    # A frame's own time, given in decimals, may fall short of it by a rounding.
    index = max(0, int(np.searchsorted(times_s, at_s + 1e-6, side="right")) - 1)
    shown_s, pts = float(times_s[index]), int(facts.frame_times.pts[index])
    kind = "yuv420p10le" if facts.bit_depth > 8 else "yuv420p"
    look = Look(clip.matrix, clip.color_range, kind, clip.size)
    base, _ = base_chain(clip, kind)
    graph = [f"{base},select='gte(pts,{pts})',setpts=0[bare]"]
    graph += cover_chain(covers, "bare", "base", clip.size)
    graph += with_layers(layers, look, "base", "flat", first_input=1, times="setpts=0")
    wide = max(1, round(width * facts.pixel_aspect))
    feeds = [Feed(layer, np.array([shown_s]), [0]) for layer in layers]
    after = png_of(graph, "flat", look, (wide, height))
    encode(final, clip.entered(shown_s), feeds, after)
    return shown_s


def png_of(graph: Sequence[str], flat: str, look: Look, size: tuple[int, int]) -> list[str]:
    """Arguments that write one picture, ``[flat]`` at the end of a graph, as PNG of that size."""
    last = (
        f"[{flat}]scale={size[0]}:{size[1]}:in_color_matrix={look.matrix}"
        f":in_range={look.color_range}:flags=accurate_rnd+bicubic+full_chroma_int,format=rgb24,"
        "setsar=1[out]"
    )
    after = ["-filter_complex", ";".join([*graph, last]), "-map", "[out]"]
    return [*after, "-frames:v", "1", "-update", "1", "-f", "image2"]
