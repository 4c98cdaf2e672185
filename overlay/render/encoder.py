"""Which encoder, with which arguments, and what has to be said about it."""

from __future__ import annotations

import functools
import os
import subprocess
import sys
from dataclasses import dataclass

from overlay.errors import EncoderError, UsageError

CODECS = ("auto", "h264", "h265", "av1")

_SOFTWARE = {"h264": "libx264", "h265": "libx265", "av1": "libsvtav1"}
_HARDWARE = {
    "h264": ("h264_videotoolbox", "h264_nvenc", "h264_qsv", "h264_amf"),
    "h265": ("hevc_videotoolbox", "hevc_nvenc", "hevc_qsv", "hevc_amf"),
    "av1": ("av1_nvenc", "av1_qsv", "av1_amf"),
}
# Quality at which a second encode, as publishing sites make one, costs little that an eye sees;
# common practice, no source. The scales of the three encoders differ.
_QUALITY = {"h264": 19, "h265": 21, "av1": 28}
_QUALITY_RANGE = {"h264": (0, 51), "h265": (0, 51), "av1": (1, 63)}
# The slowest step that still keeps up with 1080p30 on two cores for H.264; the others are
# several times slower at any step.
_PRESET = {"h264": "veryfast", "h265": "veryfast", "av1": "9"}
_X26X: tuple[str, ...] = ("ultrafast", "superfast", "veryfast", "faster", "fast", "medium")
_X26X += ("slow", "slower", "veryslow")
_PRESETS = {"h264": _X26X, "h265": _X26X, "av1": tuple(str(step) for step in range(14))}


@dataclass(frozen=True)
class EncodeOptions:
    """How the finished clip is encoded.

    Attributes
    ----------
    codec : str
        ``h264``, ``h265``, ``av1``, or ``auto``: H.264, which plays everywhere, unless the
        footage has more than 8 bits a sample, which only the others keep in common players.
    quality : int or None
        The encoder's constant-quality number, lower is better: 0 to 51 for H.264 and H.265, 1 to
        63 for AV1. None: 19, 21 or 28.
    preset : str or None
        The encoder's own name for speed against size. None: ``veryfast`` or ``9``.
    hardware : bool
        Use a hardware encoder if a trial shows that one works; else say so and use software.
    sound : bool
        Keep the sound.
    threads : int or None
        Threads of decoder and encoder each, 1 or more; None: as many as suit the cores. Where
        several clips are encoded at a time, one each does the same work for a twentieth less.
    """

    codec: str = "auto"
    quality: int | None = None
    preset: str | None = None
    hardware: bool = False
    sound: bool = True
    threads: int | None = None

    @property
    def for_threads(self) -> tuple[str, ...]:
        """The threads as arguments of a decoder or encoder."""
        return () if self.threads is None else ("-threads", str(self.threads))


@dataclass(frozen=True)
class VideoEncoder:
    """A chosen encoder."""

    # Such as ``h264`` and ``libx264``.
    codec: str
    name: str
    pixel_format: str  # what it is given: ``yuv420p`` or ``yuv420p10le``
    arguments: tuple[str, ...]  # for ffmpeg, from ``-c:v`` on
    notes: tuple[str, ...] = ()  # what the user should know, one sentence each


@functools.cache
def _shipped_ffmpeg(override: str | None) -> str:
    import imageio_ffmpeg

    try:
        return str(imageio_ffmpeg.get_ffmpeg_exe())
    except RuntimeError as error:
        raise EncoderError(
            "no ffmpeg program found: install imageio-ffmpeg again, or set IMAGEIO_FFMPEG_EXE"
        ) from error


def ffmpeg_path() -> str:
    """The ffmpeg program to run: the one shipped, or what ``IMAGEIO_FFMPEG_EXE`` names.

    Raises
    ------
    EncoderError
        If there is none.
    """
    return _shipped_ffmpeg(os.environ.get("IMAGEIO_FFMPEG_EXE"))


def choose_encoder(options: EncodeOptions, *, bit_depth: int = 8) -> VideoEncoder:
    """The encoder for footage of `bit_depth` bits a sample.

    Raises
    ------
    UsageError
        If an option names a codec, quality or preset that does not exist.
    EncoderError
        If ffmpeg cannot be run.

    Examples
    --------
    >>> choose_encoder(EncodeOptions()).name, choose_encoder(EncodeOptions(), bit_depth=10).name
    ('libx264', 'libx265')
    """
    codec, quality, preset, notes = _checked(options, bit_depth)
    deep = bit_depth > 8 and codec != "h264"
    pixel_format = "yuv420p10le" if deep else "yuv420p"
    if bit_depth > (10 if deep else 8):
        notes.append(
            f"the footage has {bit_depth} bits a sample; the result has {10 if deep else 8}"
            + ("" if deep else " (choose H.265 or AV1 to keep 10)")
        )
    if options.hardware:
        for name in _HARDWARE[codec]:
            if _works(name, pixel_format):
                notes.append(f"encoded by {name} hardware")
                arguments = _hardware_arguments(name, quality)
                return VideoEncoder(codec, name, pixel_format, arguments, tuple(notes))
        notes.append(
            f"no hardware encoder for {codec} works here, so {_SOFTWARE[codec]} did the work"
        )
    name = _SOFTWARE[codec]
    arguments = ("-c:v", name, "-preset", preset, "-crf", str(quality))
    arguments += options.for_threads
    if codec == "h265":
        arguments += ("-tag:v", "hvc1", "-x265-params", "log-level=error")
    return VideoEncoder(codec, name, pixel_format, arguments, tuple(notes))


def _checked(options: EncodeOptions, bit_depth: int) -> tuple[str, int, str, list[str]]:
    """Codec, quality and preset with defaults filled in, and notes so far."""
    notes = []
    codec = options.codec
    if codec not in CODECS:
        raise UsageError(f"unknown codec {codec!r}: use one of {', '.join(CODECS)}")
    if codec == "auto":
        codec = "h265" if bit_depth > 8 else "h264"
        if bit_depth > 8:
            notes.append(f"encoded as H.265, since the footage has {bit_depth} bits a sample")
    quality = _QUALITY[codec] if options.quality is None else options.quality
    low, high = _QUALITY_RANGE[codec]
    if not low <= quality <= high:
        raise UsageError(f"quality {quality} for {codec}: use {low} (best) to {high} (smallest)")
    preset = _PRESET[codec] if options.preset is None else options.preset
    if preset not in _PRESETS[codec]:
        raise UsageError(
            f"unknown preset {preset!r} for {codec}: use one of {', '.join(_PRESETS[codec])}"
        )
    return codec, quality, preset, notes


def _hardware_arguments(name: str, quality: int) -> tuple[str, ...]:
    """Constant quality in each maker's own terms."""
    base: tuple[str, ...] = ("-c:v", name)
    if name.endswith("videotoolbox"):
        # 1 to 100, higher is better: 19 of 51 becomes 62 or so.
        base += ("-q:v", str(max(1, round(100 * (1 - quality / 51)))))
    elif name.endswith("nvenc"):
        base += ("-rc", "vbr", "-cq", str(quality), "-b:v", "0")
    elif name.endswith("qsv"):
        base += ("-global_quality", str(quality))
    else:
        base += ("-rc", "cqp", "-qp_i", str(quality), "-qp_p", str(quality))
    return (*base, "-tag:v", "hvc1") if name.startswith("hevc") else base


@functools.cache
def _works(name: str, pixel_format: str) -> bool:
    """Whether a hardware encoder really encodes three frames on this machine."""
    if name.endswith("videotoolbox") and sys.platform != "darwin":
        return False
    source = "color=gray:size=320x240:rate=30"
    command = [ffmpeg_path(), "-v", "error", "-f", "lavfi", "-i", source, "-frames:v", "3"]
    command += ["-pix_fmt", pixel_format, "-c:v", name, "-f", "null", "-"]
    try:
        trial = subprocess.run(command, capture_output=True, timeout=20, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return trial.returncode == 0
