"""Pictures and sound into an MP4 file, every frame at its true time."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from overlay.demo.soundtrack import RATE_HZ
from overlay.errors import EncoderError, UsageError
from overlay.files import written_whole

if TYPE_CHECKING:
    from av.audio.stream import AudioStream
    from av.container import OutputContainer
    from av.video.stream import VideoStream

TICK = Fraction(1, 90000)
BT709 = 1  # ITU-T H.273: 1 is BT.709 for primaries, transfer and matrix
LIMITED_RANGE = 1  # as FFmpeg counts: 1 limited ("tv"), 2 full
SOUND_CHUNK = 1024


def write_clip(
    path: Path,
    pictures: Iterable[tuple[float, npt.NDArray[np.uint8]]],
    sound: npt.NDArray[np.float32] | None = None,
    *,
    rate_hz: float = 30.0,
    created_utc: datetime | None = None,
    kbit_s: int = 2100,
    crf: int = 25,
    key_frame_every: int = 250,
    preset: str = "superfast",
) -> int:
    """Encode a clip: H.264, yuv420p, tagged BT.709 limited range; AAC stereo at 48 kHz.

    Parameters
    ----------
    path : Path
        Target, written whole or not at all.
    pictures : iterable of (float, ndarray)
        Presentation time in seconds from 0, increasing, and a blue-green-red picture.
    sound : ndarray of float32, shape (n, 2), or None
        Samples at 48 kHz that start with the first frame.
    rate_hz : float
        Nominal frame rate, a hint for the encoder; times are kept to 1/90000 s.
    created_utc : datetime or None
        Creation time for the container.
    kbit_s : int
        Highest mean rate of the picture.
    crf : int
        Quality of the picture where that rate allows, 0 (best) to 51.
    key_frame_every : int
        Most frames from one key frame to the next.

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
    import av

    options = {
        "preset": preset,
        "crf": str(crf),
        "maxrate": f"{kbit_s}k",
        "bufsize": f"{2 * kbit_s}k",
        "threads": "1",
        "g": str(key_frame_every),
        "bf": "0",  # half the time for the same size and quality on these pictures
    }
    try:
        with (
            written_whole(path) as part,
            av.open(str(part), "w", options={"movflags": "+faststart"}) as container,
        ):
            if created_utc is not None:
                container.metadata["creation_time"] = f"{created_utc:%Y-%m-%dT%H:%M:%S.000000Z}"
            return _encode(container, pictures, sound, rate_hz, options)
    except av.FFmpegError as error:
        raise EncoderError(f"{path}: the encoder stopped: {error}") from error


def _encode(
    container: OutputContainer,
    pictures: Iterable[tuple[float, npt.NDArray[np.uint8]]],
    sound: npt.NDArray[np.float32] | None,
    rate_hz: float,
    options: dict[str, str],
) -> int:
    import av
    from av.video.reformatter import Colorspace, Interpolation, VideoReformatter

    reformatter = VideoReformatter()
    video: VideoStream | None = None
    audio = _SoundFeed(container, sound) if sound is not None else None
    count = 0
    for t_s, picture in pictures:
        if video is None:
            video = _video_stream(container, picture, rate_hz, options)
        frame = reformatter.reformat(
            av.VideoFrame.from_ndarray(picture, "bgr24"),
            format="yuv420p",
            dst_colorspace=Colorspace.ITU709,
            interpolation=Interpolation.AREA,
        )
        frame.pts, frame.time_base = round(t_s / TICK), TICK
        container.mux(video.encode(frame))
        if audio is not None:
            audio.up_to(t_s)
        count += 1
    if video is None:
        raise UsageError("a clip needs at least one picture")
    container.mux(video.encode(None))
    if audio is not None:
        audio.finish()
    return count


def _video_stream(
    container: OutputContainer,
    picture: npt.NDArray[np.uint8],
    rate_hz: float,
    options: dict[str, str],
) -> VideoStream:
    rate = Fraction(rate_hz).limit_denominator(1001)
    stream = container.add_stream("libx264", rate=rate, options=options)
    stream.height, stream.width = picture.shape[:2]
    stream.pix_fmt = "yuv420p"
    stream.time_base = TICK
    context = stream.codec_context
    context.time_base = TICK
    context.color_range = LIMITED_RANGE
    context.colorspace = context.color_primaries = context.color_trc = BT709
    return stream


class _SoundFeed:
    """Feeds the sound in step with the picture, so that the file is well interleaved."""

    def __init__(self, container: OutputContainer, sound: npt.NDArray[np.float32]) -> None:
        self._container, self._sound, self._done = container, sound, 0
        self._stream: AudioStream = container.add_stream("aac", rate=RATE_HZ, layout="stereo")
        self._stream.bit_rate = 128000

    def up_to(self, t_s: float) -> None:
        """Encode what sounds before footage time `t_s`."""
        while self._done < min(len(self._sound), t_s * RATE_HZ):
            self._encode(self._sound[self._done : self._done + SOUND_CHUNK])

    def finish(self) -> None:
        """Encode the rest."""
        self.up_to(len(self._sound) / RATE_HZ + 1)
        self._container.mux(self._stream.encode(None))

    def _encode(self, samples: npt.NDArray[np.float32]) -> None:
        import av

        planes = np.ascontiguousarray(samples.T, np.float32)
        frame = av.AudioFrame.from_ndarray(planes, format="fltp", layout="stereo")
        frame.sample_rate, frame.pts = RATE_HZ, self._done
        frame.time_base = Fraction(1, RATE_HZ)
        self._container.mux(self._stream.encode(frame))
        self._done += len(samples)
