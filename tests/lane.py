"""Real driving footage read at a chosen speed, so that real pixels have a known truth.

``lane.mp4`` shows a car at a steady pace. Reading its frames forward and backward, several or none
at a time, gives footage of a vehicle that starts, hurries and stops; the true displacement of each
pair is the number of source frames between its pictures, with sign. What this cannot show: blur
and exposure that change with the speed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from overlay.footage.model import LumaFrame

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LaneClip:
    """Footage read at a chosen speed.

    Attributes
    ----------
    frames : list of LumaFrame
        n pictures.
    position : ndarray of int, shape (n,)
        Source frame counted along the way read, without bounces.
    speed : ndarray, shape (n - 1,)
        True speed of each pair in source frames a second, from the frames really shown.
    """

    frames: list[LumaFrame]
    position: npt.NDArray[np.int64]
    speed: Array


@lru_cache(maxsize=2)
def lane_pictures(path: Path, width: int = 320, height: int = 180) -> list[npt.NDArray[np.uint8]]:
    """All pictures of the file as small luma planes."""
    import av
    import cv2

    pictures = []
    with av.open(str(path)) as box:
        for frame in box.decode(video=0):
            luma = frame.to_ndarray(format="gray")
            pictures.append(cv2.resize(luma, (width, height), interpolation=cv2.INTER_AREA))
    return pictures


def _filmed(
    pictures: list[npt.NDArray[np.uint8]],
    t_s: Array,
    numbers: npt.NDArray[np.int64],
    noise: float,
    rng: np.random.Generator,
) -> list[LumaFrame]:
    """The pictures of these numbers at these times, each with sensor noise of its own."""
    frames = []
    for t, k in zip(t_s, numbers, strict=True):
        noisy = pictures[k] + noise * rng.standard_normal(pictures[k].shape)
        frames.append(LumaFrame(float(t), np.clip(np.round(noisy), 0, 255).astype(np.uint8)))
    return frames


def lane_clip(
    pictures: list[npt.NDArray[np.uint8]],
    speed: Callable[[Array], Array],
    *,
    duration_s: float,
    rate_hz: float,
    rng: np.random.Generator,
    noise: float = 1.5,
    start_frame: int = 0,
) -> LaneClip:
    """Read the pictures at `speed` (source frames a second, >= 0), bouncing at the ends.

    Where the reading bounces the apparent motion turns round; choose profiles that cover no more
    than the file has, or take `LaneClip.speed`, which carries the sign. Sensor noise is added to
    every picture, so that a standing start is no row of exact repeats.
    """
    fine = np.arange(0, duration_s, 0.001)
    covered = np.concatenate([[0.0], np.cumsum(speed(fine)) * 0.001])
    t_s = np.arange(int(duration_s * rate_hz)) / rate_hz
    place = start_frame + np.interp(t_s, np.append(fine, duration_s), covered)
    position = np.round(place).astype(np.int64)
    last = len(pictures) - 1
    folded = position % (2 * last)
    source = np.where(folded > last, 2 * last - folded, folded)
    frames = _filmed(pictures, t_s, source, noise, rng)
    return LaneClip(frames, position, np.diff(source) * rate_hz)


def lane_clip_in_its_own_time(
    pictures: list[npt.NDArray[np.uint8]],
    speed: Callable[[Array], Array],
    *,
    duration_s: float,
    rest_hz: float,
    rng: np.random.Generator,
    noise: float = 1.5,
) -> LaneClip:
    """Show each picture at the instant at which `speed` has come to its place.

    The frame rate follows the speed, and the displacement of each pair is the true one over its
    own span; read at an even rate, whole frames leave a choice of none, one or two at a time.
    While nothing moves, a picture is shown `rest_hz` times a second. The way covered must be no
    longer than the file, less one frame.
    """
    fine = np.arange(0, duration_s, 0.001)
    covered = np.concatenate([[0.0], np.cumsum(speed(fine)) * 0.001])
    at = np.append(fine, duration_s)
    rising = np.append(np.diff(covered) > 0, True)
    places = np.arange(1, int(covered[-1]) + 1)
    reached = np.interp(places, covered[rising], at[rising])
    ticks = np.arange(0, duration_s, 1 / rest_hz)
    before = ticks[ticks < at[rising][0]]
    after = ticks[ticks > reached[-1] + 1 / rest_hz] if covered[-1] > 0 else ticks[:0]
    t_s = np.concatenate([before, reached, after])
    position = np.concatenate(
        [np.zeros(len(before)), places, np.full(len(after), places[-1])]
    ).astype(np.int64)
    frames = _filmed(pictures, t_s, position, noise, rng)
    return LaneClip(frames, position, np.diff(position) / np.diff(t_s))


def lane_frames(
    pictures: list[npt.NDArray[np.uint8]],
    speed: Callable[[Array], Array],
    *,
    duration_s: float,
    rate_hz: float,
    rng: np.random.Generator,
) -> list[LumaFrame]:
    """The frames of :func:`lane_clip` alone."""
    clip = lane_clip(pictures, speed, duration_s=duration_s, rate_hz=rate_hz, rng=rng)
    return clip.frames
