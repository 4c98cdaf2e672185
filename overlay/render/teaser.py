"""A short silent picture loop, GIF or WebP, for places that take no film."""

from __future__ import annotations

import os
from pathlib import Path

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs, require_file
from overlay.footage.model import ClipFacts
from overlay.render.pipeline import OnProgress, encode
from overlay.render.source import require_section, source_of

KINDS = (".gif", ".webp")
LONGEST_S = 30.0  # a longer loop is a film, and larger than one


def teaser_clip(
    source: ClipFacts | str | os.PathLike[str],
    target: str | os.PathLike[str],
    *,
    from_s: float = 0.0,
    to_s: float | None = None,
    width: int = 480,
    rate_hz: float = 12.5,
    progress: OnProgress | None = None,
) -> float:
    """Write part of a clip as a picture loop at its true speed.

    Parameters
    ----------
    source : ClipFacts or path
        Usually a finished clip.
    target : path
        ``.gif`` or ``.webp``.
    from_s, to_s : float
        Footage times in seconds; to the clip's end, or for 30 s, by default.
    width : int
        Pixels, 64 to 1280; the shape is kept.
    rate_hz : float
        Pictures a second, 1 to 30; GIF counts in hundredths of a second, so 12.5 is exact.

    Returns
    -------
    float
        Seconds of the loop.
    """
    clip = source_of(source)
    facts, final = clip.facts, Path(target)
    suffix = final.suffix.lower()
    if suffix not in KINDS:
        raise UsageError(f"{final}: a teaser is .gif or .webp")
    forbid_overwriting_inputs(final, [require_file(facts.path)])
    end_s = min(facts.duration_s, from_s + LONGEST_S) if to_s is None else to_s
    _check(facts, from_s, end_s, width, rate_hz)
    shape = facts.height / (facts.width * float(facts.pixel_aspect))
    height = max(2, round(width * shape / 2) * 2)
    graph = (
        f"{clip.stamped()}settb=1/1000000,setpts=PTS-({round(clip.origin_s(from_s) * 1_000_000)}),"
        f"fps=fps={rate_hz:g}:start_time=0:round=near,trim=end={end_s - from_s:.6f},"
        f"scale={width // 2 * 2}:{height}:flags=area:in_color_matrix={clip.matrix}"
        f":in_range={clip.color_range},setsar=1"
    )
    if suffix == ".webp":
        graph += ",format=yuv420p[out]"
        coding = ["-c:v", "libwebp_anim", "-quality", "70", "-compression_level", "4"]
    else:
        # Colours that change little from frame to frame; an even pattern compresses well.
        graph += ",format=rgb24,split[a][b];[a]palettegen=stats_mode=full[colours];"
        graph += "[b][colours]paletteuse=dither=bayer:bayer_scale=4:diff_mode=rectangle[out]"
        coding = []
    after = ["-filter_complex", graph, "-map", "[out]", "-map_metadata", "-1", "-loop", "0"]
    before, length_s = clip.entered(from_s), end_s - from_s
    encode(final, before, [], [*after, *coding], total_s=length_s, progress=progress)
    return length_s


def _check(facts: ClipFacts, from_s: float, to_s: float, width: int, rate_hz: float) -> None:
    require_section(facts, from_s, to_s)
    if to_s - from_s > LONGEST_S:
        raise UsageError(f"a teaser of {to_s - from_s:g} s: use at most {LONGEST_S:g} s")
    if not 64 <= width <= 1280:
        raise UsageError(f"a teaser {width} pixels wide: use 64 to 1280")
    if not 1 <= rate_hz <= 30:
        raise UsageError(f"{rate_hz:g} pictures a second: use 1 to 30")
