"""The gauges alone on a clear ground, to be laid over the footage in any editor."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs, written_whole
from overlay.footage.model import ClipFacts
from overlay.render.graph import nanoseconds
from overlay.render.output import RenderReport, file_arguments
from overlay.render.pipeline import Feed, OnProgress, run
from overlay.render.source import even_size, facts_of, tick_of
from overlay.scene.layers import Layer, require_inside

# Encoder, what it is given, what layers are laid together in, and the name of that for `overlay`
# (which mixes two transparencies rightly in 8 bits only; gauges have no more).
_PRORES = (
    ("-c:v", "prores_ks", "-profile:v", "4444", "-alpha_bits", "16", "-vendor", "apl0"),
    "yuva444p10le",
    "yuva444p",
    "yuv444",
)
_VP9 = (
    ("-c:v", "libvpx-vp9", "-crf", "24", "-b:v", "0", "-cpu-used", "5", "-auto-alt-ref", "0"),
    "yuva420p",
    "yuva420p",
    "yuv420",
)
_KINDS = {".mov": _PRORES, ".webm": _VP9}


def encoder_arguments(suffix: str) -> tuple[str, ...]:
    """What the encoder for ``.mov`` or ``.webm`` is told, with the format of its pictures."""
    encoder, pixel_format, *_ = _KINDS[suffix]
    return (*encoder, "-pix_fmt", pixel_format)


def alpha_clip(
    source: ClipFacts | str | os.PathLike[str],
    layers: Sequence[Layer],
    target: str | os.PathLike[str],
    *,
    progress: OnProgress | None = None,
    metadata: Mapping[str, str] | None = None,
) -> RenderReport:
    """Write the layers of a clip alone, with transparency, at the times of its frames.

    Parameters
    ----------
    source : ClipFacts or path
        The footage that the result will be laid over; its pictures are not read.
    target : path
        ``.mov`` for ProRes 4444 (editors), ``.webm`` for VP9 (small).

    Raises
    ------
    InputError, UsageError, OutputError, EncoderError
        As their messages say; then nothing is left of the target.
    """
    started = time.monotonic()
    facts = facts_of(source)
    final = Path(target)
    suffix = final.suffix.lower()
    if suffix not in _KINDS:
        raise UsageError(f"{final}: transparency needs .mov (ProRes 4444) or .webm (VP9)")
    forbid_overwriting_inputs(final, [Path(facts.path)])
    width, height = even_size(facts)
    require_inside(layers, width, height)
    encoder, pixel_format, *mixing = _KINDS[suffix]
    times_s, stamps = facts.frame_times.seconds, nanoseconds(facts.frame_times)
    clear = np.zeros((2, 2, 4), np.uint8)
    # The ground is a speck that carries the frame times; the encoder's side enlarges it.
    ground = Layer(0, 0, 2, 2, lambda _: clear)
    feeds = [Feed(layer, times_s, stamps) for layer in (ground, *layers)]
    tick = tick_of(facts.frame_times.time_base)
    after = ["-filter_complex", _graph(facts, layers, pixel_format, *mixing), "-map", "[out]"]
    after += [*encoder, "-fps_mode", "passthrough", "-enc_time_base:v", str(tick)]
    after += ["-color_range", "tv", "-colorspace", "bt709"]
    after += ["-color_primaries", "bt709", "-color_trc", "bt709"]
    if suffix == ".mov":
        after += ["-video_track_timescale", str(tick.denominator)]
        after += file_arguments(suffix, facts.created_utc, metadata or {})
    else:
        after += file_arguments(".mkv", facts.created_utc, metadata or {})
    with written_whole(final) as part:
        outcome = run(
            [],
            feeds,
            [*after, os.fspath(part.absolute())],
            total_s=facts.duration_s,
            progress=progress,
        )
    notes = [] if suffix == ".mov" else ["WebM keeps times to a thousandth of a second"]
    return RenderReport(
        target=os.fspath(target),
        width=width,
        height=height,
        frames=outcome.frames,
        duration_s=facts.duration_s,
        encoder=encoder[1],
        pixel_format=pixel_format,
        sound="left out, since it is with the footage",
        pictures=outcome.pictures - len(times_s),
        elapsed_s=time.monotonic() - started,
        notes=tuple(notes),
    )


def _graph(
    facts: ClipFacts, layers: Sequence[Layer], pixel_format: str, mixed_in: str, kind: str
) -> str:
    width, height = even_size(facts)
    aspect = facts.pixel_aspect
    to_color = f"scale=out_color_matrix=bt709:out_range=tv,format={mixed_in}"
    base = f"settb={facts.frame_times.time_base}"
    pieces = [
        f"[0:v]{to_color},pad={width}:{height}:0:0:color=black@0,"
        f"setsar={aspect.numerator}/{aspect.denominator},{base}[base]"
    ]
    pieces += [f"[{index}:v]{to_color},{base}[g{index}]" for index in range(1, len(layers) + 1)]
    last = "base"
    for index, layer in enumerate(layers, start=1):
        pieces.append(
            f"[{last}][g{index}]overlay=x={layer.x}:y={layer.y}:eval=init:format={kind}[m{index}]"
        )
        last = f"m{index}"
    pieces.append(
        f"[{last}]format={pixel_format},"
        "setparams=range=tv:colorspace=bt709:color_primaries=bt709:color_trc=bt709[out]"
    )
    return ";".join(pieces)
