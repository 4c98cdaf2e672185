"""How footage goes into the encoder's filter graph: upright, even-sized, in its own colours."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from overlay.errors import UsageError
from overlay.footage.model import ClipFacts

_COPIED = {
    ".mp4": {"aac", "mp3", "ac3", "eac3", "alac", "opus", "flac"},
    ".mov": {"aac", "mp3", "ac3", "eac3", "alac", "pcm_s16le", "pcm_s24le", "pcm_s16be"},
    ".mkv": None,  # everything
}
_HD_HEIGHT = 720  # from here on untagged pictures count as BT.709, below as BT.601: common practice
_MATRICES = {
    "bt709": "bt709",
    "smpte170m": "smpte170m",
    "bt470bg": "bt470bg",
    "fcc": "fcc",
    "smpte240m": "smpte240m",
    "bt2020nc": "bt2020",
    "bt2020c": "bt2020",
}


@dataclass(frozen=True)
class Streams:
    """What the encoder must know of a file beside its facts.

    Attributes
    ----------
    sounds : tuple of str
        Codec of each sound track, in file order.
    is_restamped : bool
        Whether the container keeps no presentation times (AVI): then the encoder's decoder starts
        late by its reordering, and its first frame is set to the time the facts give.
    has_index : bool
        Whether the file can be entered in the middle: a transport stream cannot, since nothing
        tells where the pictures stand that others build on.
    """

    sounds: tuple[str, ...]
    is_restamped: bool
    has_index: bool


def facts_of(source: ClipFacts | str | os.PathLike[str]) -> ClipFacts:
    """The facts themselves, or those of the clip at a path."""
    if isinstance(source, ClipFacts):
        return source
    from overlay.footage import probe

    return probe(source)


def streams_of(path: str) -> Streams:
    """The streams of a clip.

    Raises
    ------
    InputError
        If the file cannot be read as a clip.
    """
    from overlay.footage.container import opened

    with opened(path) as clip:
        sounds = tuple(
            stream.codec_context.codec.canonical_name
            for stream in clip.container.streams.audio
            if stream.codec_context is not None
        )
        names = set(clip.container.format.name.split(","))
        has_index = bool(names & {"mp4", "matroska"}) and not clip.structure.is_cut_off
        return Streams(sounds, clip.has_decode_times_only, has_index)


def restamp(facts: ClipFacts) -> str:
    """A filter that sets the first decoded frame to the time the facts give."""
    return f"setpts=PTS-STARTPTS+({int(facts.frame_times.pts[0])})"


def container_of(target: Path) -> str:
    """The suffix of a clip to write, once it is known to be one we write.

    Raises
    ------
    UsageError
        If it is none of ``.mp4``, ``.mov``, ``.mkv``.
    """
    suffix = target.suffix.lower()
    if suffix not in _COPIED:
        known = ", ".join(sorted(_COPIED))
        raise UsageError(f"{target}: cannot write {suffix or 'a clip without suffix'}; use {known}")
    return suffix


def sound_arguments(
    tracks: Sequence[str], suffix: str, *, first_input: int = 0
) -> tuple[list[str], str]:
    """Arguments that carry all sound over, and what was done in words.

    Copied where the container allows it, else encoded again as AAC; gaps stay silent, a late
    start stays late.
    """
    if not tracks:
        return [], "none in the source"
    allowed = _COPIED[suffix]
    arguments: list[str] = []
    again = []
    for index, codec in enumerate(tracks):
        arguments += ["-map", f"{first_input}:a:{index}"]
        if allowed is None or codec in allowed:
            arguments += [f"-c:a:{index}", "copy"]
        else:
            again.append(codec)
            arguments += [f"-c:a:{index}", "aac", f"-b:a:{index}", "256k"]
            arguments += [f"-filter:a:{index}", "aresample=async=1"]
    if not again:
        return arguments, "copied"
    return arguments, f"encoded again as AAC, since {suffix} does not hold {', '.join(again)}"


def even_size(facts: ClipFacts) -> tuple[int, int]:
    """Size of the finished picture: an odd last row or column is left out.

    H.264 and its kin store colour for squares of two by two pixels, so sizes are even.
    """
    return facts.width // 2 * 2, facts.height // 2 * 2


def matrix_of(facts: ClipFacts) -> str:
    """Name of the colour matrix in which gauges must be mixed into the picture."""
    if facts.color_space in _MATRICES:
        return _MATRICES[facts.color_space]
    return "bt709" if min(facts.width, facts.height) >= _HD_HEIGHT else "smpte170m"


def range_of(facts: ClipFacts) -> str:
    """``pc`` for full range, else ``tv``."""
    return "pc" if facts.color_range == "pc" else "tv"


@dataclass(frozen=True)
class Colors:
    """What the colours of a picture made of several clips mean.

    Attributes
    ----------
    matrix : str
        As the ``scale`` filter names it.
    tags : str
        A ``setparams`` filter that says it.
    """

    matrix: str
    tags: str


def common_colors(clips: Sequence[ClipFacts]) -> Colors:
    """The clips' own colours where all share them, else those of BT.709; limited range."""

    def shared(names: set[str]) -> str:
        name = names.pop() if len(names) == 1 else "unknown"
        return "bt709" if name in ("unknown", "gbr") else name

    space = shared({clip.color_space for clip in clips})
    primaries = shared({clip.color_primaries for clip in clips})
    transfer = shared({clip.color_transfer for clip in clips})
    tags = f"setparams=range=tv:colorspace={space}:color_primaries={primaries}:color_trc={transfer}"
    return Colors(_MATRICES.get(space, "bt709"), tags)


def is_rgb(facts: ClipFacts) -> bool:
    """Whether pictures are stored as RGB and must be converted."""
    return facts.color_space == "gbr" or facts.pixel_format.startswith(("gbr", "rgb", "bgr"))


def tick_of(time_base: Fraction) -> Fraction:
    """One tick of the finished clip: 1/n seconds, such that every source time is whole."""
    return Fraction(1, time_base.denominator)


def base_chain(facts: ClipFacts, pixel_format: str) -> tuple[str, list[str]]:
    """Filters that make the source ready for gauges, and what was done in words.

    Frame times stay as they are. The result has the size of :func:`even_size`.
    """
    width, height = even_size(facts)
    filters, notes = [], []
    if facts.is_interlaced:
        filters.append("bwdif=mode=send_frame:deint=all")
        notes.append("interlaced footage: the two fields of each frame were joined into one")
    if (width, height) != (facts.width, facts.height):
        filters.append(f"crop={width}:{height}:0:0:exact=1")
        notes.append(
            f"the picture of {facts.width}×{facts.height} was cut to {width}×{height}, "
            "since encoders need even sizes"
        )
    color = range_of(facts)
    if is_rgb(facts):
        filters.append("scale=out_color_matrix=bt709:out_range=tv:flags=accurate_rnd+bicubic")
        notes.append("RGB footage was converted to BT.709")
    elif facts.pixel_format not in (pixel_format, pixel_format.replace("yuv", "yuvj")):
        matrix = matrix_of(facts)
        filters.append(
            f"scale=in_range={color}:out_range={color}:in_color_matrix={matrix}"
            f":out_color_matrix={matrix}:flags=accurate_rnd+bicubic"
        )
    filters.append(f"format={pixel_format}" + ("|yuvj420p" if pixel_format == "yuv420p" else ""))
    if facts.color_space == "unknown" and not is_rgb(facts):
        filters.append("setparams=colorspace=unknown")
    filters.append(f"settb={facts.frame_times.time_base}")
    return ",".join(filters), notes


def color_arguments(facts: ClipFacts) -> list[str]:
    """Tags that say what the colours mean, as the source has them; unknown stays unknown."""
    if is_rgb(facts):
        return ["-color_range", "tv", "-colorspace", "bt709"]
    tags = {
        "-color_range": facts.color_range,
        "-colorspace": facts.color_space,
        "-color_primaries": facts.color_primaries,
        "-color_trc": facts.color_transfer,
    }
    return [word for flag, name in tags.items() if name != "unknown" for word in (flag, name)]
