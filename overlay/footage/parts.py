"""Some whole pictures of a clip, and parts of all of them, each at little more than decoding."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.footage.container import OpenClip, opened
from overlay.footage.frames import Pictures, luma_plane
from overlay.footage.model import Luma
from overlay.footage.upright import Box, upright_of

ENOUGH_KEYS = 0.5  # of the pictures wanted: so many key frames are taken alone
LOOKED_AT = 0.12  # of all frames are decoded at most, where there are few key frames


def spread_pictures(path: str | os.PathLike[str], count: int, *, width: int) -> Luma:
    """About `count` upright pictures spread over a clip, key frames where there are enough.

    Parameters
    ----------
    width : int
        Greatest width in pixels; wider ones are shrunk.

    Returns
    -------
    ndarray of uint8, shape (k, height, width)
        Luma; fewer than `count` where the clip has few frames or key frames.

    Raises
    ------
    InputError
        If the file is not a film that can be read.
    """
    import cv2

    out: list[Luma] = []
    with opened(path) as clip:
        for frame in _spread(clip, count):
            plane: Any = _eight_bits(luma_plane(frame), frame)
            upright = upright_of(frame, clip.video.sample_aspect_ratio)
            scale = min(1.0, width / upright.width)
            if scale < 1:
                size = round(plane.shape[1] * scale), round(plane.shape[0] * scale)
                plane = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
            picture = upright.applied(plane)
            if not out or picture.shape == out[0].shape:
                out.append(picture)
    return np.stack(out) if out else np.zeros((0, 1, 1), np.uint8)


def _spread(clip: OpenClip, count: int) -> Iterator[Any]:
    entries = clip.video.index_entries
    keys = [entry.timestamp for entry in entries if entry.is_keyframe]
    if not keys:
        every = 15
        yield from (frame for k, (_, frame) in enumerate(Pictures(clip)) if k % every == 0)
        return
    context = clip.video.codec_context
    each = 1
    if len(keys) >= ENOUGH_KEYS * count:
        keys = [keys[round(k)] for k in np.linspace(0, len(keys) - 1, min(count, len(keys)))]
        context.skip_frame = "NONKEY"
    else:
        each = math.ceil(count / len(keys))
    step = max(1, int(LOOKED_AT * len(entries) / (len(keys) * each)))
    for key in keys:
        clip.container.seek(key, stream=clip.video, backward=True)
        for k, frame in enumerate(clip.container.decode(clip.video)):
            if k % step == 0:
                yield frame
            if k >= step * (each - 1):
                break


def part_frames(
    path: str | os.PathLike[str], boxes_px: Sequence[Box]
) -> Iterator[tuple[float, list[Luma]]]:
    """Parts of every picture at their true times, with all that the decoder can do for them.

    Parameters
    ----------
    boxes_px : sequence of (x, y, width, height)
        In displayed pixels: upright, before pixel aspect.

    Yields
    ------
    float and list of ndarray of uint8
        Footage time in seconds, and the luma of each part.

    Raises
    ------
    InputError
        If the file is not a film that can be read.
    UsageError
        If a box is empty or not inside the picture.
    """
    with opened(path) as clip:
        for t_s, frame in Pictures(clip):
            plane = luma_plane(frame)
            upright = upright_of(frame, clip.video.sample_aspect_ratio)
            parts = []
            for box in boxes_px:
                x, y, wide, high = upright.coded_box(box)
                part = _eight_bits(plane[y : y + high, x : x + wide], frame)
                parts.append(upright.applied(part))
            yield t_s, parts


def _eight_bits(luma: npt.NDArray[Any], frame: Any) -> Luma:
    if luma.dtype == np.uint8:
        return luma
    return np.asarray(luma >> (frame.format.components[0].bits - 8), dtype=np.uint8)
