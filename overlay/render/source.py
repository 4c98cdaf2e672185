"""How footage goes into the encoder's filter graph: upright, even-sized, in its own colours."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs, require_file
from overlay.footage.model import ClipFacts

_COPIED = {
    ".mp4": {"aac", "mp3", "ac3", "eac3", "alac", "opus", "flac"},
    ".mov": {"aac", "mp3", "ac3", "eac3", "alac", "pcm_s16le", "pcm_s24le", "pcm_s16be"},
    ".mkv": None,  # everything
}
_SEEK_MARGIN_S = 2.0
_HD_HEIGHT = 720  # from here on untagged pictures count as BT.709, below as BT.601: common practice
# Names of colour matrices as the filter ``scale`` has them.
_MATRICES = {name: name for name in ("bt709", "smpte170m", "bt470bg", "fcc", "smpte240m")}
_MATRICES |= {"bt2020nc": "bt2020", "bt2020c": "bt2020"}


@dataclass(frozen=True, eq=False)
class Source:
    """A clip as the encoder reads it."""

    facts: ClipFacts
    sounds: tuple[str, ...]  # codec of each sound track, in file order
    # Whether the container keeps no presentation times (AVI): then the encoder's decoder starts
    # late by its reordering, and its first frame is set to the time the facts give.
    is_restamped: bool
    # Whether the file can be entered in the middle: a transport stream cannot, since nothing tells
    # where the pictures stand that others build on.
    has_index: bool

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the finished picture; see :func:`even_size`."""
        return even_size(self.facts)

    @property
    def matrix(self) -> str:
        """Name of the colour matrix in which gauges must be mixed into the picture."""
        known = _MATRICES.get(self.facts.color_space)
        is_hd = min(self.facts.width, self.facts.height) >= _HD_HEIGHT
        return known or ("bt709" if is_hd else "smpte170m")

    @property
    def color_range(self) -> str:
        """``pc`` for full range, else ``tv``."""
        return "pc" if self.facts.color_range == "pc" else "tv"

    @property
    def is_rgb(self) -> bool:
        """Whether pictures are stored as RGB and must be converted."""
        facts = self.facts
        return facts.color_space == "gbr" or facts.pixel_format.startswith(("gbr", "rgb", "bgr"))

    @property
    def first_pts(self) -> int:
        """Presentation time of the first frame, ticks."""
        return int(self.facts.frame_times.pts[0])

    def stamped(self, index: int = 0) -> str:
        """The start of a chain of filters, up to a picture whose times are those of the facts.

        `index` is the clip's among the inputs.
        """
        first = f"setpts=PTS-STARTPTS+({self.first_pts})," if self.is_restamped else ""
        return f"[{index}:V:0]{first}"

    def origin_s(self, t_s: float) -> float:
        """The container's own time of a footage time, seconds."""
        return float(self.first_pts * self.facts.frame_times.time_base) + t_s

    def entered(self, start_s: float = 0.0) -> list[str]:
        """Arguments that open the clip, skipping most of what comes before a footage time.

        Its times stay its own. Early enough whatever stream the container starts with: the graph
        cuts exactly.
        """
        seek = ["-ss", f"{start_s - _SEEK_MARGIN_S:.3f}"] if start_s > 2 * _SEEK_MARGIN_S else []
        return ["-copyts", *(seek if self.has_index else []), "-i", named(self.facts.path)]


def source_of(clip: ClipFacts | str | os.PathLike[str]) -> Source:
    """A clip by its facts or its path.

    Raises
    ------
    InputError
        If the file cannot be read as a clip.
    """
    from overlay.footage.container import opened

    facts = facts_of(clip)
    with opened(facts.path) as film:
        sounds = tuple(
            stream.codec_context.codec.canonical_name
            for stream in film.container.streams.audio
            if stream.codec_context is not None
        )
        names = set(film.container.format.name.split(","))
        has_index = bool(names & {"mp4", "matroska"}) and not film.structure.is_cut_off
        return Source(facts, sounds, film.has_decode_times_only, has_index)


def facts_of(clip: ClipFacts | str | os.PathLike[str]) -> ClipFacts:
    """The facts themselves, or those of the clip at a path."""
    from overlay.footage import probe

    return clip if isinstance(clip, ClipFacts) else probe(clip)


def require_section(facts: ClipFacts, from_s: float, to_s: float) -> None:
    """Refuse a part that is not two rising times within the clip, or half a second beyond it.

    Raises
    ------
    UsageError
        If it is none; NaN is none either.
    """
    if not 0 <= from_s < to_s <= facts.duration_s + 0.5:
        raise UsageError(
            f"{facts.path}: from {from_s:g} to {to_s:g} s; give two rising times within the "
            f"clip's {facts.duration_s:.2f} s"
        )


def named(path: str) -> str:
    """A name that the encoder cannot take for an option or a protocol."""
    return "file:" + os.path.abspath(path)


def turn_arguments(facts: ClipFacts) -> list[str]:
    """Input options that keep a clip's turn where its streams are copied."""
    return ["-display_rotation", str(-facts.rotation_deg)] if facts.rotation_deg else []


def checked_target(
    target: str | os.PathLike[str], inputs: Sequence[str | os.PathLike[str]]
) -> tuple[Path, str]:
    """The clip to write and its suffix, once it is one we write and no input.

    Raises
    ------
    InputError, UsageError, OutputError
        If an input is no file, the suffix is not one of ``.mp4``, ``.mov``, ``.mkv``, or the
        target is an input.
    """
    final = Path(target)
    suffix = container_of(final)
    forbid_overwriting_inputs(final, [require_file(path) for path in inputs])
    return final, suffix


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


def sound_arguments(tracks: Sequence[str], suffix: str) -> tuple[list[str], str]:
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
        arguments += ["-map", f"0:a:{index}"]
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


def common_colors(clips: Sequence[ClipFacts]) -> tuple[str, str]:
    """Colour matrix and tags of a picture made of several clips, limited range.

    The clips' own where all share them, else those of BT.709; as the filters ``scale`` and
    ``setparams`` take them.
    """

    def shared(names: set[str]) -> str:
        name = names.pop() if len(names) == 1 else "unknown"
        return "bt709" if name in ("unknown", "gbr") else name

    space = shared({clip.color_space for clip in clips})
    primaries = shared({clip.color_primaries for clip in clips})
    transfer = shared({clip.color_transfer for clip in clips})
    tags = f"setparams=range=tv:colorspace={space}:color_primaries={primaries}:color_trc={transfer}"
    return _MATRICES.get(space, "bt709"), tags


def tick_of(facts: ClipFacts) -> Fraction:
    """One tick of the finished clip: 1/n seconds, such that every source time is whole."""
    return Fraction(1, facts.frame_times.time_base.denominator)


def base_chain(clip: Source, pixel_format: str) -> tuple[str, list[str]]:
    """Filters that make the source ready for gauges, and what was done in words.

    Frame times stay as they are. The result has the clip's even size.
    """
    facts, (width, height) = clip.facts, clip.size
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
    if clip.is_rgb:
        filters.append("scale=out_color_matrix=bt709:out_range=tv:flags=accurate_rnd+bicubic")
        notes.append("RGB footage was converted to BT.709")
    elif facts.pixel_format not in (pixel_format, pixel_format.replace("yuv", "yuvj")):
        filters.append(
            f"scale=in_range={clip.color_range}:out_range={clip.color_range}"
            f":in_color_matrix={clip.matrix}:out_color_matrix={clip.matrix}"
            ":flags=accurate_rnd+bicubic"
        )
    filters.append(f"format={pixel_format}" + ("|yuvj420p" if pixel_format == "yuv420p" else ""))
    if facts.color_space == "unknown" and not clip.is_rgb:
        filters.append("setparams=colorspace=unknown")
    filters.append(f"settb={facts.frame_times.time_base}")
    return clip.stamped() + ",".join(filters), notes


def color_arguments(clip: Source) -> list[str]:
    """Tags that say what the colours mean, as the source has them; unknown stays unknown."""
    if clip.is_rgb:
        return ["-color_range", "tv", "-colorspace", "bt709"]
    facts = clip.facts
    tags = {
        "-color_range": facts.color_range,
        "-colorspace": facts.color_space,
        "-color_primaries": facts.color_primaries,
        "-color_trc": facts.color_transfer,
    }
    return [word for flag, name in tags.items() if name != "unknown" for word in (flag, name)]
