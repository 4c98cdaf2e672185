"""What a finished clip shows: the ribbon's length and the motion, both from its pixels."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from overlay.errors import InputError
from overlay.footage.model import ClipFacts, LumaFrame
from overlay.gauges.imprint import Imprint, ImprintSide, SlowedPart, imprint_from_text
from overlay.series import Series
from overlay.verify.corners import Box, follow_corners
from overlay.verify.ground import Pace, pace_of

LEAST_READ_SHARE = 0.05  # of the frames must show a speed
CORNERS_WIDTH = 640  # of the pictures in which corners are followed, pixels
COVER_GRID = 100


@dataclass(frozen=True, eq=False)
class ReadBack:
    """One run of a finished clip, as its pixels show it."""

    name: str  # of the run
    # Speed that the ribbon shows, m/s, on the footage's own time: slow motion is undone.
    shown: Series
    pace: Pace  # ground speed from the picture outside the gauges
    # Share of the lower half of the run's picture, where its ground is, that gauges cover.
    covered: float = 0.0
    slowed: SlowedPart | None = None  # the section that was shown slower


def read_finished(
    path: str | Path,
    *,
    fallback: Callable[[ClipFacts], Imprint | None] = lambda facts: None,
    progress: Callable[[float], None] = lambda share: None,
) -> tuple[ReadBack, ...]:
    """Read every ribbon, and the motion beside it, from a finished clip.

    Parameters
    ----------
    fallback : callable
        Gives the places of the gauges for a clip that lost its note; None if it cannot.
    progress : callable
        Told the share done, 0 to 1.

    Raises
    ------
    InputError
        If the clip has no ribbon that can be read.
    """
    from overlay.footage import probe

    facts = probe(path)
    imprint = imprint_of(path) or fallback(facts)
    if imprint is None:
        raise InputError(f"{path}: no gauges of ours in it; name a clip made by draw or pair")
    imprint = _scaled(imprint, facts.width, facts.height)
    crops = [_inside(side.crop, facts) for side in imprint.sides]
    result = []
    for done, (side, crop) in enumerate(zip(imprint.sides, crops, strict=True)):
        tell = partial(lambda done, share: progress((done + share) / len(crops)), done)
        result.append(_read_side(path, facts, imprint, side, crop, tell))
    progress(1.0)
    return tuple(result)


def pace_of_clip(
    clip: ClipFacts, ignore: Sequence[Box], *, progress: Callable[[float], None]
) -> Pace:
    """Ground speed in a clip without gauges."""
    from overlay.footage import luma_frames
    from overlay.footage.ahead import ahead

    def pictures() -> Iterator[LumaFrame]:
        for frame in ahead(luma_frames(clip.path, width=CORNERS_WIDTH)):
            progress(frame.t_s / max(clip.duration_s, 1e-9))
            yield frame

    return pace_of(follow_corners(pictures(), ignore=ignore))


def imprint_of(path: str | Path) -> Imprint | None:
    """The note on the gauges in a clip's comment tag, if it has one."""
    from overlay.footage.container import opened

    with opened(path) as clip:
        tags = clip.container.metadata
        return imprint_from_text(tags.get("comment", "") or tags.get("COMMENT", ""))


def _speed(crop: np.ndarray, side: ImprintSide) -> float:
    from overlay.gauges.readback import read_ribbon

    return read_ribbon(crop, side.band) * side.band.full_scale_mps


def _shown(path: str | Path, times: np.ndarray, speed_mps: np.ndarray, side: ImprintSide) -> Series:
    known = np.isfinite(speed_mps)
    if known.sum() < max(10, LEAST_READ_SHARE * len(times)):
        raise InputError(
            f"{path}: the ribbon of {side.name or 'the run'} can be read in {int(known.sum())} of "
            f"{len(times)} frames only; name a clip made by draw or pair, not cropped"
        )
    return Series("speed_mps", times[known], speed_mps[known])


def _across(imprint: Imprint) -> int:
    """How many regions stand beside each other, so that each keeps its width when shrunk."""
    widest = max(side.region[2] for side in imprint.sides)
    return max(1, round(imprint.size[0] / widest))


def _scaled(imprint: Imprint, width: int, height: int) -> Imprint:
    """The note for the same picture at another size."""
    across, down = width / imprint.size[0], height / imprint.size[1]
    if across == down == 1:
        return imprint
    if abs(across / down - 1) > 0.02:
        raise InputError("the clip was cropped or stretched after its gauges were drawn")

    def grow(box: tuple[int, int, int, int]) -> tuple[int, int, int, int]:
        x, y, w, h = box
        return round(x * across), round(y * down), round(w * across), round(h * down)

    sides = []
    for side in imprint.sides:
        band = replace(
            side.band,
            x0=side.band.x0 * across,
            x1=side.band.x1 * across,
            y0=int(np.ceil(side.band.y0 * down)),
            y1=max(int(side.band.y1 * down), int(np.ceil(side.band.y0 * down)) + 1),
            anchor_px=max(3, int(side.band.anchor_px * across)),
        )
        at = (round(side.ribbon_at[0] * across), round(side.ribbon_at[1] * down))
        sides.append(replace(side, region=grow(side.region), ribbon_at=at, band=band))
    boxes = tuple(grow(box) for box in imprint.boxes)
    return replace(imprint, size=(width, height), sides=tuple(sides), boxes=boxes)


def _inside(crop: tuple[int, int, int, int], facts: ClipFacts) -> tuple[int, int, int, int]:
    x, y, w, h = crop
    if x < 0 or y < 0 or x + w > facts.width or y + h > facts.height:
        raise InputError(
            f"{facts.path}: the ribbon would stand outside the picture; was it cropped?"
        )
    return crop


def _within(box: tuple[int, int, int, int], region: tuple[int, int, int, int]) -> Box | None:
    """A box of pixels as shares of a region, cut at its borders; None when it lies outside."""
    (x, y, w, h), (x0, y0, width, height) = box, region
    left, right = ((edge - x0) / width for edge in (x, x + w))
    top, bottom = ((edge - y0) / height for edge in (y, y + h))
    left, top, right, bottom = max(left, 0), max(top, 0), min(right, 1), min(bottom, 1)
    return (left, top, right, bottom) if left < right and top < bottom else None


def _covered(boxes: Sequence[Box]) -> float:
    """Share of the lower half that boxes cover, 0 to 1."""
    x, y = np.meshgrid(*(np.arange(0.5, size) / size for size in (2 * COVER_GRID, COVER_GRID)))
    under = [(x > b[0]) & (x < b[2]) & (0.5 + y / 2 > b[1]) & (0.5 + y / 2 < b[3]) for b in boxes]
    return float(np.any([np.zeros_like(x), *under], axis=0).mean())


def _read_side(
    path: str | Path,
    facts: ClipFacts,
    imprint: Imprint,
    side: ImprintSide,
    crop: tuple[int, int, int, int],
    progress: Callable[[float], None],
) -> ReadBack:
    """One pass over the clip for one run; pictures are dropped as soon as they are measured."""
    from overlay.footage import luma_crops

    times: list[float] = []
    speeds: list[float] = []
    slowed = imprint.slowed
    x, y, w, h = side.region
    region = (x / facts.width, y / facts.height, (x + w) / facts.width, (y + h) / facts.height)

    def pictures() -> Iterator[LumaFrame]:
        for small, cuts in luma_crops(path, [crop], width=CORNERS_WIDTH * _across(imprint)):
            t_s = small.t_s if slowed is None else slowed.footage_s(small.t_s)
            times.append(t_s)
            speeds.append(_speed(cuts[0], side))
            progress(small.t_s / max(facts.duration_s, 1e-9))
            yield replace(_cut(small, region), t_s=t_s)

    found = (_within(box, side.region) for box in imprint.boxes)
    boxes = [box for box in found if box is not None]
    corners = follow_corners(pictures(), ignore=boxes)
    shown = _shown(path, np.array(times), np.array(speeds), side)
    return ReadBack(side.name, shown, pace_of(corners), _covered(boxes), slowed)


def _cut(frame: LumaFrame, region: Box) -> LumaFrame:
    """The part of a small picture that shows one region."""
    height, width = frame.luma.shape
    left, top, right, bottom = region
    rows = slice(round(top * height), round(bottom * height))
    columns = slice(round(left * width), round(right * width))
    return LumaFrame(frame.t_s, np.ascontiguousarray(frame.luma[rows, columns]))
