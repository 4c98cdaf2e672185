"""Pictures and sound into an MP4 file."""

from __future__ import annotations

import itertools
import subprocess
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from overlay.demo.paint import Picture
from overlay.demo.soundtrack import RATE_HZ
from overlay.errors import EncoderError, UsageError
from overlay.files import written_whole
from overlay.render.encoder import ffmpeg_path
from overlay.render.output import BT709_FILTER

COLOURS = f"scale=out_color_matrix=bt709:out_range=tv:flags=area,format=yuv420p,{BT709_FILTER}"


@dataclass(frozen=True)
class Coding:
    """How a clip is encoded.

    Highest mean rate of the picture in kbit/s, its quality where that rate allows (0 is best, 51
    worst), most frames from one key frame to the next.
    """

    kbit_s: int = 2100
    crf: int = 25
    key_frame_every: int = 250


USUAL = Coding()


def write_clip(
    path: Path,
    pictures: Iterable[Picture],
    sound: npt.NDArray[np.float32] | None = None,
    *,
    rate_hz: float = 30.0,
    created_utc: datetime | None = None,
    coding: Coding = USUAL,
) -> int:
    """Encode a clip: H.264, yuv420p, tagged BT.709 limited range; AAC stereo at 48 kHz.

    Parameters
    ----------
    path : Path
        Target, written whole or not at all.
    pictures : iterable of ndarray, shape (height, width, 3), uint8
        Blue, green, red; the first is shown at 0 s, `rate_hz` a second.
    sound : ndarray of float32, shape (n, 2), or None
        Samples at 48 kHz that start with the first picture.
    created_utc : datetime or None
        Creation time for the container.

    Returns
    -------
    int
        Number of frames written.

    Raises
    ------
    EncoderError
        If the encoder fails.
    UsageError
        If there is no picture.
    """
    frames = iter(pictures)
    first = next(frames, None)
    if first is None:
        raise UsageError("a clip needs at least one picture")
    size = f"{first.shape[1]}x{first.shape[0]}"
    words = [ffmpeg_path(), *["-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "bgr24"]]
    words += ["-video_size", size, "-framerate", f"{rate_hz:g}", "-i", "-"]
    with written_whole(path) as part, tempfile.TemporaryDirectory() as folder:
        if sound is not None:
            heard = Path(folder) / "sound"
            heard.write_bytes(sound.astype("<f4").tobytes())
            words += ["-f", "f32le", "-ar", str(RATE_HZ), "-ac", "2", "-i", str(heard)]
            words += ["-c:a", "aac", "-b:a", "128k"]
        words += ["-vf", COLOURS, *["-c:v", "libx264", "-preset", "superfast", "-threads", "1"]]
        words += ["-bf", "0"]  # half the time for the same size and quality on these pictures
        words += ["-crf", str(coding.crf), "-maxrate", f"{coding.kbit_s}k"]
        words += ["-bufsize", f"{2 * coding.kbit_s}k"]
        words += ["-g", str(coding.key_frame_every), "-movflags", "+faststart"]
        if created_utc is not None:
            words += ["-metadata", f"creation_time={created_utc:%Y-%m-%dT%H:%M:%SZ}"]
        return _fed([*words, str(part)], itertools.chain([first], frames), path)


def _fed(words: list[str], frames: Iterable[Picture], path: Path) -> int:
    """Run the encoder and write it the pictures; how many there were."""
    pipe = subprocess.PIPE
    with subprocess.Popen(words, stdin=pipe, stderr=pipe) as process:
        assert process.stdin is not None
        count = 0
        try:
            for frame in frames:
                process.stdin.write(frame.data)
                count += 1
        except BrokenPipeError:
            pass  # the encoder says why below
        except BaseException:
            process.kill()
            raise
        _, said = process.communicate()
    if process.returncode:
        raise EncoderError(f"{path}: the encoder stopped: {said.decode(errors='replace').strip()}")
    return count
