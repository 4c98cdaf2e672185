"""Pictures at their true times, decoded in one pass: small and grey, cut out whole, or in colour.

The loop filter of frames that no other frame refers to may be left out: that saves a few per cent
of the decoding and cannot build up. Leaving it out everywhere saves about 15 %, but the error
builds up between key frames: on real 960x540 footage with few of them the flow became 3 % too small
and correlated only 0.89 with the flow of the true pictures. At a high rate the filter has little to
do, and with at least one key frame a second, as cameras write, little can build up: the same
footage at 0.25 bit a pixel and more then correlates 0.997 and better, within 0.2 % in size.
"""

from __future__ import annotations

import heapq
import math
import os
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from overlay.errors import InputError, UsageError
from overlay.footage.container import OpenClip, decoded, opened, packets
from overlay.footage.model import Luma, LumaFrame
from overlay.footage.upright import Box, Upright, upright_of

if TYPE_CHECKING:
    from av import VideoFrame

# Formats whose first plane is the luma as coded, eight bits a sample.
_LUMA_FIRST = ("yuv4", "yuvj4", "yuva4", "nv12", "nv21", "nv16", "gray")
_SEEK_MARGINS_S = (0.0, 1.0, 4.0, 16.0)
_HD_WIDTH, _HD_HEIGHT = 1280, 576
# From this many bits a pixel, and with key frames this near, the loop filter is not missed.
_RICH_BITS_PER_PIXEL, _KEY_FRAMES_APART_S = 0.25, 1.1


class Pictures:
    """Decoded frames of an open clip with their footage times, in order; an iterator.

    Attributes
    ----------
    broken : int
        Packets that could not be decoded, and frames patched up by the decoder or out of order;
        all are left out.
    """

    def __init__(
        self,
        clip: OpenClip,
        *,
        start_s: float | None = None,
        drop_loop_filter: bool = False,
        keys_only: bool = False,
    ) -> None:
        context = clip.video.codec_context
        context.thread_type = "AUTO"
        if drop_loop_filter:
            left_out = "all" if _refreshes_itself(clip) else "noref"
            context.options = {**context.options, "skip_loop_filter": left_out}
        self.broken = 0
        self._keys_only = keys_only
        self._clip = clip
        self._time_base = clip.video.time_base or Fraction(1, 1000)
        self._decode_times: list[int] = []
        self._origin: int | None = None
        self._steps = self._from(start_s)

    def __iter__(self) -> Iterator[tuple[float, VideoFrame]]:
        return self

    def __next__(self) -> tuple[float, VideoFrame]:
        return next(self._steps)

    def _from(self, start_s: float | None) -> Iterator[tuple[float, VideoFrame]]:
        stream = self._stream()
        if start_s is None or start_s <= 0:
            yield from stream
            return
        first = next(stream, None)
        # Without presentation times in the container a seek loses count of them: go through all.
        margins_s = () if self._clip.has_decode_times_only or first is None else _SEEK_MARGINS_S
        for margin_s in margins_s:
            stream = self._sought(start_s - margin_s)
            first = next(stream, None)
            if first is not None and first[0] <= start_s:
                break
        while first is not None:
            if first[0] >= start_s:
                yield first
            first = next(stream, None)

    def _sought(self, t_s: float) -> Iterator[tuple[float, VideoFrame]]:
        origin = self._origin or 0
        ticks = max(0, int(Fraction(t_s) / self._time_base))
        self._clip.container.seek(origin + ticks, stream=self._clip.video, backward=True)
        self._decode_times.clear()
        return self._stream()

    def _stream(self) -> Iterator[tuple[float, VideoFrame]]:
        last: int | None = None
        for packet in packets(self._clip, self._clip.video):
            if self._keys_only and packet.size and not packet.is_keyframe:
                continue
            if packet.size and packet.dts is not None and not packet.is_discard:
                heapq.heappush(self._decode_times, packet.dts)
            frames, errors = decoded(packet)
            self.broken += errors
            for frame in frames:
                at = self._presented(frame)
                if frame.is_corrupt or at is None or (last is not None and at <= last):
                    self.broken += 1
                    continue
                last = at
                yield self._seconds(at), frame

    def _presented(self, frame: VideoFrame) -> int | None:
        at = frame.pts
        if self._clip.has_decode_times_only:
            at = heapq.heappop(self._decode_times) if self._decode_times else None
        else:
            self._decode_times.clear()
        if self._origin is None:
            self._origin = at
        return at

    def _seconds(self, at: int) -> float:
        # In the same order of operations as FrameTimes.seconds, so that times are equal exactly.
        ticks = float(at - (self._origin or 0))
        return ticks * self._time_base.numerator / self._time_base.denominator


def _refreshes_itself(clip: OpenClip) -> bool:
    """Whether pictures are rich enough, and key frames near enough, to go without loop filter.

    Only for H.264, for which it was measured.
    """
    video = clip.video
    index, time_base = video.index_entries, video.time_base
    if video.codec_context.name != "h264" or not len(index) or time_base is None:
        return False
    keys = [entry.timestamp for entry in index if entry.is_keyframe]
    apart = np.diff([*keys, index[-1].timestamp])
    apart_s = float(max(apart, default=math.inf) * time_base)
    pixels = len(index) * video.codec_context.width * video.codec_context.height
    bits = 8 * sum(entry.size for entry in index)
    return apart_s <= _KEY_FRAMES_APART_S and bits >= _RICH_BITS_PER_PIXEL * pixels


class LumaFrames(Iterator[LumaFrame]):
    """The small pictures of one clip, in order; made by :func:`luma_frames`.

    Attributes
    ----------
    broken : int
        Frames left out so far since they could not be decoded.
    """

    broken = 0

    def __init__(self, frames: Callable[[LumaFrames], Iterator[LumaFrame]]) -> None:
        self._frames = frames(self)

    def __next__(self) -> LumaFrame:
        return next(self._frames)


def luma_frames(
    path: str | os.PathLike[str],
    *,
    width: int = 320,
    start_s: float | None = None,
    end_s: float | None = None,
    drop_loop_filter: bool = True,
    keys_only: bool = False,
) -> LumaFrames:
    """Small upright grey pictures of a clip at their true times.

    Parameters
    ----------
    width : int
        Width in pixels of the upright picture; the height follows the shape as seen, pixel aspect
        included. A picture that is narrower is not enlarged.
    start_s, end_s : float, optional
        Footage times in seconds; frames with ``start_s <= t <= end_s`` are given.
    drop_loop_filter : bool
        Leave the loop filter out where no other frame is affected, and everywhere in clips of a
        high rate with a key frame every second.
    keys_only : bool
        Only key frames, which cost a few per cent of all: for a first look.

    Returns
    -------
    LumaFrames
        An iterator of :class:`LumaFrame`, shape (height, width), brightness as coded. Frames that
        cannot be decoded are left out and counted in its `broken`. The file is opened at the
        first frame and closed after the last.

    Raises
    ------
    InputError
        If the file is not a film that can be read.
    UsageError
        If `width` is under 2.
    """

    if width < 2:
        raise UsageError(f"width {width} is too small: use 2 pixels or more")

    def frames(made: LumaFrames) -> Iterator[LumaFrame]:
        with opened(path) as clip:
            shrink = _Shrinker(clip, width)
            pictures = Pictures(
                clip, start_s=start_s, drop_loop_filter=drop_loop_filter, keys_only=keys_only
            )
            for t_s, frame in pictures:
                made.broken = pictures.broken
                if end_s is not None and t_s > end_s:
                    break
                yield LumaFrame(t_s, shrink.small(frame, luma_plane(frame)))
            made.broken = pictures.broken

    return LumaFrames(frames)


def luma_crops(
    path: str | os.PathLike[str], boxes_px: Sequence[Box], *, width: int = 320
) -> Iterator[tuple[LumaFrame, list[Luma]]]:
    """Small pictures together with full-size parts of each, in one pass, loop filter on.

    Parameters
    ----------
    boxes_px : sequence of (x, y, width, height)
        Parts in displayed pixels: upright, before pixel aspect.
    width : int
        Width in pixels of the small picture, as in :func:`luma_frames`.

    Yields
    ------
    tuple of LumaFrame and list of ndarray
        The small picture, and for each box its luma as coded, shape (height, width) of the box.

    Raises
    ------
    InputError
        If the file is not a film that can be read.
    UsageError
        If a box is empty or not inside the picture.
    """
    with opened(path) as clip:
        shrink = _Shrinker(clip, width)
        for t_s, frame in Pictures(clip):
            plane = luma_plane(frame)
            small = shrink.small(frame, plane)
            yield LumaFrame(t_s, small), [shrink.crop(frame, plane, box) for box in boxes_px]


def picture(path: str | os.PathLike[str], at_s: float) -> npt.NDArray[np.uint8]:
    """The picture on screen at a footage time, in colour.

    Parameters
    ----------
    at_s : float
        Footage time in seconds, from 0; after the last frame's time the last frame is shown.

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
        Full-range RGB, upright, in displayed pixels before pixel aspect. The matrix is that of
        the colour tag; untagged, BT.709 from 1280 or taller than 576 pixels on and BT.601 below
        (common practice of players, no source).

    Raises
    ------
    InputError
        If the file is not a film that can be read.
    UsageError
        If `at_s` is before the first frame.
    """
    if not at_s >= 0:
        raise UsageError(f"time {at_s} s is before the clip's first frame; use 0 or later")
    for start_s in (at_s - 1.0, None):
        with opened(path) as clip:
            shown = None
            for t_s, frame in Pictures(clip, start_s=start_s):
                if t_s > at_s:
                    break
                shown = frame
            if shown is not None:
                return upright_of(shown, clip.video.sample_aspect_ratio).applied(_rgb(shown))
        # Otherwise one frame stands for more than a second: go through all before it.
    raise InputError(f"{path}: no picture can be decoded; use another recording")


def luma_plane(frame: VideoFrame) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    """The luma of a decoded frame as coded, without a copy where the format allows.

    Returns
    -------
    ndarray of uint8 or uint16, shape (coded height, coded width)
        uint16 holds samples of more than eight bits in its low bits.
    """
    bits = frame.format.components[0].bits
    name = frame.format.name
    if not name.startswith(_LUMA_FIRST) or bits > 16 or name.endswith("be"):
        # Packed, RGB and other rare formats.
        frame, bits = _limited(frame), 8
    plane: Any = frame.planes[0]
    kind: Any = np.uint8 if bits == 8 else np.uint16
    rows: npt.NDArray[Any] = np.frombuffer(plane, dtype=kind)
    in_row = plane.line_size // rows.itemsize
    return rows[: in_row * frame.height].reshape(frame.height, in_row)[:, : frame.width]


def _limited(frame: VideoFrame) -> VideoFrame:
    """A frame of a rare format as eight-bit planes."""
    if not frame.format.is_rgb:
        return frame.reformat(format="yuv420p")
    from av.video.reformatter import ColorRange

    return frame.reformat(
        format="yuv444p", src_color_range=ColorRange.JPEG, dst_color_range=ColorRange.MPEG
    )


class _Shrinker:
    """Turns luma planes into small upright pictures; what depends on the format is kept."""

    def __init__(self, clip: OpenClip, width: int) -> None:
        self._clip = clip
        self._width = width
        self._upright: Upright | None = None

    def upright(self, frame: VideoFrame) -> Upright:
        known = self._upright
        if known is None or (frame.width, frame.height) != (known.coded_width, known.coded_height):
            known = self._upright = upright_of(frame, self._clip.video.sample_aspect_ratio)
        return known

    def small(self, frame: VideoFrame, plane: npt.NDArray[Any]) -> Luma:
        upright = self.upright(frame)
        small = _shrunk(plane, upright.coded_small_size(self._width))
        return upright.applied(_eight_bits(small, frame))

    def crop(self, frame: VideoFrame, plane: npt.NDArray[Any], box: Box) -> Luma:
        upright = self.upright(frame)
        x, y, wide, high = upright.coded_box(box)
        part = _eight_bits(plane[y : y + high, x : x + wide], frame)
        return upright.applied(part).copy()


def _shrunk(plane: npt.NDArray[Any], size: tuple[int, int]) -> npt.NDArray[Any]:
    """Area means; halving first is two to ten times cheaper, and rounds once more each time.

    Between one and two pixels into one, linear interpolation is all but the area mean (at 3:2 its
    weights are 3/4 and 1/4 where the area gives 2/3 and 1/3), at a quarter of the cost.
    """
    import cv2

    wide, high = size
    while min(plane.shape[1] / wide, plane.shape[0] / high) >= 4 and not any(
        side % 2 for side in plane.shape
    ):
        half = (plane.shape[1] // 2, plane.shape[0] // 2)
        plane = cv2.resize(plane, half, interpolation=cv2.INTER_AREA)
    shrinking = max(plane.shape[1] / wide, plane.shape[0] / high)
    method = cv2.INTER_LINEAR if shrinking < 2 else cv2.INTER_AREA
    return cv2.resize(plane, size, interpolation=method)


def _eight_bits(luma: npt.NDArray[Any], frame: VideoFrame) -> Luma:
    if luma.dtype == np.uint8:
        return luma
    return (luma >> (frame.format.components[0].bits - 8)).astype(np.uint8)


def _rgb(frame: VideoFrame) -> npt.NDArray[np.uint8]:
    from av.video.reformatter import ColorRange, Colorspace

    is_large = frame.width >= _HD_WIDTH or frame.height > _HD_HEIGHT
    untagged = Colorspace.ITU709 if is_large else Colorspace.ITU601
    # H.273 matrix coefficients against swscale's own numbers.
    known = {1: Colorspace.ITU709, 5: Colorspace.ITU601, 6: Colorspace.ITU601}
    known |= {4: Colorspace.FCC, 7: Colorspace.SMPTE240M, 9: Colorspace.BT2020}
    matrix = known.get(int(frame.colorspace), untagged)
    is_full = int(frame.color_range) == 2 or frame.format.name.startswith("yuvj")
    converted = frame.reformat(
        format="rgb24",
        src_colorspace=matrix,
        src_color_range=ColorRange.JPEG if is_full else ColorRange.MPEG,
        dst_color_range=ColorRange.JPEG,
    )
    return np.asarray(converted.to_ndarray(), dtype=np.uint8)
