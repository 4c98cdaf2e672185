"""Real clips for tests, encoded by the ffmpeg program that imageio-ffmpeg brings."""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

# Quick settings; pictures of the test pattern stay recognisable.
_ENCODERS = {
    "h264": ["-c:v", "libx264", "-preset", "veryfast", "-crf", "18"],
    "hevc": ["-c:v", "libx265", "-preset", "ultrafast", "-x265-params", "log-level=none"],
    "vp9": ["-c:v", "libvpx-vp9", "-deadline", "realtime", "-cpu-used", "8"],
    "av1": ["-c:v", "libaom-av1", "-cpu-used", "8", "-usage", "realtime"],
    "mpeg2": ["-c:v", "mpeg2video", "-q:v", "3"],
    "mjpeg": ["-c:v", "mjpeg", "-q:v", "3"],
    "ffv1": ["-c:v", "ffv1"],
}


def ffmpeg_program() -> str:
    import imageio_ffmpeg

    return str(imageio_ffmpeg.get_ffmpeg_exe())


def run_ffmpeg(*arguments: str | Path) -> bytes:
    """Run ffmpeg; gives what it wrote to standard output, and fails with what it complained of."""
    command = [ffmpeg_program(), "-hide_banner", "-v", "error", "-y", "-nostdin"]
    done = subprocess.run([*command, *map(str, arguments)], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode(errors="replace")
    return done.stdout


def make_clip(
    path: Path,
    *,
    size: tuple[int, int] = (96, 64),
    rate: Fraction | float | str = 30,
    seconds: float = 1.0,
    source: str | None = None,
    rotation: int = 0,
    sar: Fraction | None = None,
    pix_fmt: str = "yuv420p",
    codec: str = "h264",
    b_frames: int = 2,
    gop: int | None = None,
    audio: int | None = None,
    audio_rate: int = 48000,
    audio_codec: str = "aac",
    audio_start_s: float = 0.0,
    audio_seconds: float | None = None,
    video_filter: str | None = None,
    extra: Sequence[str] = (),
) -> Path:
    """Encode a clip of a moving test pattern.

    Parameters
    ----------
    path
        File to write; its suffix chooses the container.
    size, rate, seconds
        Width and height in coded pixels, frames a second, length.
    source
        A lavfi source in place of the test pattern, without size and rate.
    rotation
        Clockwise turn in degrees that a player is asked to apply.
    sar
        Pixel aspect.
    b_frames, gop
        Largest number of B-frames in a row (h264 only); frames from key frame to key frame.
    audio
        Number of channels of a 50 Hz tone; None for no sound.
    audio_start_s, audio_seconds
        Where the sound starts on footage time, and its length.
    extra
        Further output options.
    """
    wide, high = size
    pattern = source or "testsrc2"
    joint = ":" if "=" in pattern else "="
    picture_in = f"{pattern}{joint}s={wide}x{high}:r={rate}:d={seconds}"
    filters = [video_filter] if video_filter else []
    filters += [f"setsar={sar.numerator}/{sar.denominator}"] if sar else []
    command: list[str] = ["-f", "lavfi", "-i", picture_in]
    if audio:
        command += ["-itsoffset", f"{audio_start_s}"] if audio_start_s else []
        tone = f"sine=f=50:r={audio_rate}:d={audio_seconds or seconds}"
        command += ["-f", "lavfi", "-i", tone, "-ac", f"{audio}", "-c:a", audio_codec]
    command += ["-vf", ",".join(filters)] if filters else []
    command += [*_ENCODERS[codec], "-pix_fmt", pix_fmt]
    command += ["-bf", f"{b_frames}"] if codec == "h264" else []
    command += ["-g", f"{gop}"] if gop else []
    command += [*extra]
    if not rotation:
        run_ffmpeg(*command, path)
        return path
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        plain = Path(folder) / f"plain{path.suffix}"
        run_ffmpeg(*command, plain)
        turn_clip(plain, path, rotation)
    return path


def turn_clip(source: Path, target: Path, rotation: int, *, mirrored: bool = False) -> Path:
    """Copy a clip and ask players to turn it clockwise by `rotation` degrees."""
    # The program's option counts counter-clockwise.
    flip = ["-display_hflip"] if mirrored else []
    run_ffmpeg("-display_rotation", f"{-rotation}", *flip, "-i", source, "-c", "copy", target)
    return target


def make_clip_of(
    path: Path,
    pictures: Iterable[npt.NDArray[np.uint8]],
    pts: Sequence[int],
    *,
    time_base: Fraction = Fraction(1, 1000),
    codec: str = "libx264",
    options: dict[str, str] | None = None,
    color: tuple[int, int, int, int] = (1, 1, 1, 1),
    metadata: dict[str, str] | None = None,
) -> Path:
    """Encode planes or RGB pictures of one's own at chosen times, frame by frame.

    Parameters
    ----------
    pictures
        RGB, shape (h, w, 3), or planar YUV 4:2:0 as coded, shape (h * 3 / 2, w).
    pts, time_base
        Presentation time stamp of each picture and seconds in a tick.
    color
        H.273 code points of range (1 limited, 2 full), matrix, primaries and transfer to tag.
    """
    import av

    with av.open(str(path), "w") as container:
        container.metadata.update(metadata or {})
        stream: Any = None
        for picture, at in zip(pictures, pts, strict=True):
            is_rgb = picture.ndim == 3
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24" if is_rgb else "yuv420p")
            if stream is None:
                # A rate close to the time base keeps the encoder from rounding times to it.
                stream = container.add_stream(codec, rate=Fraction(1) / time_base)
                stream.width, stream.height = frame.width, frame.height
                stream.pix_fmt = "yuv420p"
                stream.options = options or {"preset": "veryfast", "crf": "10"}
                context = stream.codec_context
                context.time_base = time_base
                context.color_range, context.colorspace = color[:2]
                context.color_primaries, context.color_trc = color[2:]
            frame.pts, frame.time_base = at, time_base
            if not is_rgb:
                frame.color_range, frame.colorspace = color[:2]
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def shown_by_ffmpeg(path: Path, *, pix_fmt: str = "gray") -> npt.NDArray[np.uint8]:
    """All frames as ffmpeg shows them, turned, shape (n, height, width)."""
    import av

    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        frame = next(container.decode(stream))
        wide, high = frame.width, frame.height
        if frame.rotation % 180:
            wide, high = high, wide
    raw = run_ffmpeg(
        "-i",
        path,
        "-f",
        "rawvideo",
        "-fps_mode",
        "passthrough",
        "-vf",
        "extractplanes=y",
        "-pix_fmt",
        pix_fmt,
        "-",
    )
    return np.frombuffer(raw, dtype=np.uint8).reshape(-1, high, wide)
