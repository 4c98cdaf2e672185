"""One picture of a clip with its gauges, as PNG."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs, require_file, written_whole
from overlay.footage.model import ClipFacts
from overlay.render.covers import Cover, as_cover, cover_chain
from overlay.render.graph import layer_chains, overlay_chain
from overlay.render.output import named
from overlay.render.pipeline import Feed, run
from overlay.render.source import (
    base_chain,
    even_size,
    facts_of,
    matrix_of,
    range_of,
    restamp,
    streams_of,
)
from overlay.scene.layers import Layer, require_inside

_SEEK_MARGIN_S = 2.0


def still(
    source: ClipFacts | str | os.PathLike[str],
    layers: Sequence[Layer],
    at_s: float,
    target: str | os.PathLike[str],
    *,
    covers: Sequence[Cover | tuple[int, int, int, int]] = (),
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

    Raises
    ------
    InputError, UsageError, OutputError, EncoderError
        As their messages say; then nothing is left of the target.
    """
    facts = facts_of(source)
    final = Path(target)
    if final.suffix.lower() != ".png":
        raise UsageError(f"{final}: a still is written as PNG; end the name with .png")
    if not 0 <= at_s <= facts.duration_s:
        raise UsageError(
            f"{facts.path}: no picture at {at_s:.3f} s; the clip lasts {facts.duration_s:.3f} s"
        )
    forbid_overwriting_inputs(final, [require_file(facts.path)])
    require_inside(layers, *even_size(facts))
    times_s = facts.frame_times.seconds
    # A frame's own time, given in decimals, may fall short of it by a rounding.
    index = max(0, int(np.searchsorted(times_s, at_s + 1e-6, side="right")) - 1)
    shown_s = float(times_s[index])
    hidden = [as_cover(box) for box in covers]
    feeds = [Feed(layer, np.array([shown_s]), [0]) for layer in layers]
    early_s = shown_s - _SEEK_MARGIN_S
    streams = streams_of(facts.path)
    seek = ["-ss", f"{early_s:.3f}"] if early_s > 0 and streams.has_index else []
    first = restamp(facts) + "," if streams.is_restamped else ""
    graph = _graph(facts, layers, hidden, int(facts.frame_times.pts[index]), first)
    with written_whole(final) as part:
        after = ["-filter_complex", graph, "-map", "[out]", "-frames:v", "1", "-update", "1"]
        run(
            ["-copyts", *seek, "-i", named(facts.path)],
            feeds,
            [*after, "-f", "image2", os.fspath(part.absolute())],
            total_s=0.0,
        )
    return shown_s


def _graph(
    facts: ClipFacts, layers: Sequence[Layer], covers: Sequence[Cover], pts: int, first: str
) -> str:
    kind = "yuv420p10le" if facts.bit_depth > 8 else "yuv420p"
    base, _ = base_chain(facts, kind)
    matrix, color_range = matrix_of(facts), range_of(facts)
    width, height = even_size(facts)
    wide = max(1, round(width * facts.pixel_aspect))
    pieces = [f"[0:V:0]{first}{base},select='gte(pts,{pts})',setpts=0[bare]"]
    pieces += cover_chain(covers, "bare", "base", (width, height))
    prepared = layer_chains(layers, 1, matrix, color_range, kind)
    pieces += [f"{chain},setpts=0[g{index}]" for index, chain in enumerate(prepared)]
    pieces += overlay_chain(layers, "base", "flat", kind, (width, height))
    pieces.append(
        f"[flat]scale={wide}:{height}:in_color_matrix={matrix}:in_range={color_range}"
        ":flags=accurate_rnd+bicubic+full_chroma_int,format=rgb24,setsar=1[out]"
    )
    return ";".join(pieces)
