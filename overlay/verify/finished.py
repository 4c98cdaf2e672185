"""What a finished clip shows: the ribbon's length and the motion, both from its pixels."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from overlay.errors import InputError
from overlay.footage.model import ClipFacts, LumaFrame
from overlay.gauges.imprint import Imprint, ImprintSide, SlowedPart, imprint_from_text
from overlay.motion.model import Box, MotionSignal
from overlay.series import Series

LEAST_READ_SHARE = 0.05  # of the frames must show a speed
CELLS_WIDTH, CORNERS_WIDTH = 320, 480  # of the pictures that each method measures, pixels


@dataclass(frozen=True)
class Meter:
    """A way to measure motion.

    Attributes
    ----------
    measure : callable
        From pictures in time order and parts to ignore to the signal.
    width : int
        Width of the pictures that it wants, pixels.
    evidence : str
        What it is, one phrase.
    independent : bool
        Whether it is another method than that of the alignment.
    """

    measure: Callable[[Iterable[LumaFrame], Sequence[Box]], MotionSignal]
    width: int
    evidence: str
    independent: bool


def _by_corners(frames: Iterable[LumaFrame], ignore: Sequence[Box]) -> MotionSignal:
    from overlay.verify.corners import follow_corners
    from overlay.verify.ground import corner_motion

    return corner_motion(follow_corners(frames, ignore=ignore))


def _by_cells(frames: Iterable[LumaFrame], ignore: Sequence[Box]) -> MotionSignal:
    from overlay.motion import motion_signal

    return motion_signal(frames, ignore=ignore)


CORNERS = Meter(_by_corners, CORNERS_WIDTH, "corners followed through the picture", True)
CELLS = Meter(_by_cells, CELLS_WIDTH, "flow of the picture, measured as for the alignment", False)


@dataclass(frozen=True, eq=False)
class ReadBack:
    """One run of a finished clip, as its pixels show it.

    Attributes
    ----------
    name : str
        Of the run.
    shown : Series
        Speed that the ribbon shows, m/s, on the footage's own time: slow motion is undone.
    motion : MotionSignal
        Motion in the picture outside the gauges.
    slowed : SlowedPart or None
        The section that was shown slower.
    """

    name: str
    shown: Series
    motion: MotionSignal
    slowed: SlowedPart | None = None


def read_finished(
    path: str | Path,
    *,
    meter: Meter = CORNERS,
    only: Sequence[int] | None = None,
    fallback: Callable[[ClipFacts], Imprint | None] = lambda facts: None,
    progress: Callable[[float], None] = lambda share: None,
) -> tuple[ReadBack, ...]:
    """Read every ribbon, and the motion beside it, from a finished clip.

    Parameters
    ----------
    path : path
    meter : Meter
        How motion is measured.
    only : sequence of int, optional
        Numbers of the runs wanted, from 0, if not all are.
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
    wanted = range(len(crops)) if only is None else only
    result = []
    for done, index in enumerate(wanted):

        def tell(share: float, done: int = done) -> None:
            progress((done + share) / len(wanted))

        side = imprint.sides[index]
        result.append(_read_side(path, facts, imprint, side, crops[index], meter, tell))
    progress(1.0)
    return tuple(result)


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
    # A ribbon is read to about a third of a pixel after encoding.
    pixel_mps = side.band.full_scale_mps / (side.band.x1 - side.band.x0)
    sigma = np.full(int(known.sum()), 0.3 * pixel_mps)
    return Series("speed_mps", times[known], speed_mps[known], sigma)


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


def _share(box: tuple[int, int, int, int], size: tuple[int, int]) -> Box:
    x, y, w, h = box
    return Box(x / size[0], y / size[1], (x + w) / size[0], (y + h) / size[1])


def _within(box: Box, region: Box) -> Box | None:
    """A box as fractions of a region, cut at its borders; None when it lies outside."""
    width, height = region.right - region.left, region.bottom - region.top
    left, right = (box.left - region.left) / width, (box.right - region.left) / width
    top, bottom = (box.top - region.top) / height, (box.bottom - region.top) / height
    left, top, right, bottom = max(left, 0), max(top, 0), min(right, 1), min(bottom, 1)
    return Box(left, top, right, bottom) if left < right and top < bottom else None


def _read_side(
    path: str | Path,
    facts: ClipFacts,
    imprint: Imprint,
    side: ImprintSide,
    crop: tuple[int, int, int, int],
    meter: Meter,
    progress: Callable[[float], None],
) -> ReadBack:
    """One pass over the clip for one run; pictures are dropped as soon as they are measured."""
    from overlay.footage import luma_crops

    times: list[float] = []
    speeds: list[float] = []
    region, slowed = _share(side.region, imprint.size), imprint.slowed

    def pictures() -> Iterator[LumaFrame]:
        for small, cuts in luma_crops(path, [crop], width=meter.width * _across(imprint)):
            t_s = small.t_s if slowed is None else slowed.footage_s(small.t_s)
            times.append(t_s)
            speeds.append(_speed(cuts[0], side))
            progress(small.t_s / max(facts.duration_s, 1e-9))
            yield replace(_cut(small, region), t_s=t_s)

    boxes = [_within(_share(box, imprint.size), region) for box in imprint.boxes]
    motion = meter.measure(pictures(), [box for box in boxes if box is not None])
    shown = _shown(path, np.array(times), np.array(speeds), side)
    return ReadBack(side.name, shown, motion, slowed)


def _cut(frame: LumaFrame, region: Box) -> LumaFrame:
    """The part of a small picture that shows one region."""
    height, width = frame.luma.shape
    rows = slice(round(region.top * height), round(region.bottom * height))
    columns = slice(round(region.left * width), round(region.right * width))
    return LumaFrame(frame.t_s, np.ascontiguousarray(frame.luma[rows, columns]))
