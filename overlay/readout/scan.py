"""Read the speed that a clip shows: find it, decode once, choose among what is read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from overlay.errors import UndeterminedError, UsageError
from overlay.footage.ahead import ahead
from overlay.footage.model import ClipFacts
from overlay.footage.parts import part_frames, spread_pictures
from overlay.footage.upright import Box
from overlay.motion.model import BoolArray
from overlay.readout.glyphs import Luma
from overlay.readout.model import Readout
from overlay.readout.ocr import reader_of_lines
from overlay.readout.read import LEAST_VALUES, Line, UnreadableError, read_line
from overlay.readout.spots import Spot, inks, same_place, spots
from overlay.readout.updates import updates_of, with_held
from overlay.timebase import FloatArray
from overlay.units import SPEED_UNITS, mps_per

PICTURES, WIDTH_PX = 24, 960
HARDEST_MPS2 = 20.0  # no vehicle on wheels gains or loses speed faster: common practice, no source
FASTEST_MPS = 140.0
LEAST_READ = 0.5  # share of the frames in which a speed is read
MOST_AMISS = 0.05  # share of these that read otherwise alone, or whose figures fit no neighbours
COUNTS_EVENLY = 0.02  # of its range, off a straight line over the whole clip: a clock
SAME_TOP = 0.9  # share of the frames in which a top speed is the greatest speed so far
A_CLOCK, A_COUNT = "a clock", "figures that count evenly, as a clock does"
MOST_STEADY = 0.5  # of its greatest figure: a number without unit that never falls below is no run
COVER_PAD, COVER_BELOW = 0.35, 0.6  # heights of a digit around what is covered: a p hangs down


@dataclass(frozen=True, eq=False)
class _Found:
    """A number that was read, where, and its figures after those that cannot be are struck."""

    spot: Spot
    line: Line
    shown: FloatArray
    struck: int


def read_readout(
    clip: ClipFacts,
    *,
    box: Box | None = None,
    unit: str | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Readout:
    """Read a burnt-in speed back from every frame of a clip.

    Parameters
    ----------
    clip : ClipFacts
    box : (x, y, width, height), optional
        Where it stands, in displayed pixels; found by itself where only one speed is in view.
    unit : str, optional
        Its unit, where none is written behind it.
    progress : callable
        Told the share of the clip that was read.

    Raises
    ------
    InputError
        If the clip cannot be decoded.
    UsageError
        If the box lies outside the picture, or the unit is not known and not given.
    UndeterminedError
        If no speed is read, or more than one, or its digits cannot be told beyond doubt.
    """
    size = clip.width, clip.height
    if box is not None and (box[0] + box[2] > size[0] or box[1] + box[3] > size[1]):
        said = ",".join(map(str, box))
        raise UsageError(
            f"{clip.path}: the box {said} lies outside its {size[0]}×{size[1]} picture"
        )
    t_s, seen = np.zeros(0), list[_Found | str]()
    # Few key frames, or seldom a new figure, ask for a look at more pictures.
    for look in (_few_pictures, _many_pictures):
        found = spots(look(clip), size, box)
        if not found:
            continue
        t_s, parts = _parts(clip, found, progress)
        seen = [_read(spot, part, t_s) for spot, part in zip(found, parts, strict=True)]
        if any(isinstance(one, _Found) for one in seen):
            break
    if not seen:
        raise UndeterminedError(
            f"{clip.path}: no changing number is found in the picture; where you see one, give its "
            "place with --box X,Y,W,H, number and unit inside"
        )
    numbers = [number for number in seen if isinstance(number, _Found)]
    numbers = _clearest(numbers)
    others = [s for s in seen if isinstance(s, str)]
    chosen, unit = _chosen(clip.path, numbers, others, unit, asked=box is None)
    if box is None:
        _require_speed(clip.path, chosen, others)
    return _readout(clip, chosen, unit, t_s)


def _few_pictures(clip: ClipFacts) -> Luma:
    return spread_pictures(clip.path, PICTURES, width=WIDTH_PX)


def _many_pictures(clip: ClipFacts) -> Luma:
    """Pictures from all of the clip, twice `PICTURES`, at the cost of a decode."""
    from overlay.footage import luma_frames

    every = max(1, round(len(clip.frame_times) / (2 * PICTURES)))
    frames = luma_frames(clip.path, width=WIDTH_PX)
    kept = [frame.luma for k, frame in enumerate(frames) if k % every == 0]
    return np.stack([one for one in kept if one.shape == kept[0].shape])


def _parts(
    clip: ClipFacts, found: list[Spot], progress: Callable[[float], None]
) -> tuple[FloatArray, list[list[Luma]]]:
    """Frame times, and each line of each frame brought to one size."""
    times: list[float] = []
    parts: list[list[Luma]] = [[] for _ in found]
    length_s = max(clip.duration_s, 1e-9)
    for t_s, crops in ahead(part_frames(clip.path, [spot.crop for spot in found])):
        times.append(t_s)
        for spot, kept, crop in zip(found, parts, crops, strict=True):
            kept.append(spot.fitted(crop))
        progress(t_s / length_s)
    progress(1.0)
    return np.array(times), parts


def _read(spot: Spot, parts: list[Luma], t_s: FloatArray) -> _Found | str:
    ink = inks(spot, parts)
    try:
        line = read_line(ink, spot.core)
        if line.doubtful and (vote := reader_of_lines()) is not None:
            line = read_line(ink, spot.core, vote)
    except UnreadableError as error:
        return str(error)
    if line.is_clock:
        return A_CLOCK
    scale = mps_per(line.unit) if line.unit in SPEED_UNITS else 0.3
    shown, struck = _without_strays(t_s, line.frames.values, scale, line.decimals)
    if np.isfinite(shown).mean() < LEAST_READ:
        return "figures that jump as no speed does"
    if len(np.unique(shown[np.isfinite(shown)])) < LEAST_VALUES:
        return "figures that hardly change"
    if _counts(t_s, shown):
        return A_COUNT
    amiss = struck + np.count_nonzero(np.isfinite(shown) & (line.frames.alone != shown))
    if amiss > MOST_AMISS * (struck + np.count_nonzero(np.isfinite(shown))):
        return "figures too unclear to be sure of"
    return _Found(spot, line, with_held(t_s, shown), struck)


def _without_strays(
    t_s: FloatArray, shown: FloatArray, mps: float, decimals: int
) -> tuple[FloatArray, int]:
    """The figures without those that no vehicle can reach from the ones before and after.

    Of the stretches of one figure the longest chain is kept in which each can be reached from the
    one before; the others are struck.
    """
    ok = np.flatnonzero(np.isfinite(shown))
    if not len(ok):
        return shown, 0
    edges = [0, *(np.flatnonzero(np.diff(shown[ok]) != 0) + 1).tolist(), len(ok)]
    first = ok[np.array(edges[:-1])]
    last = ok[np.array(edges[1:]) - 1]
    size = np.diff(edges)
    slack = 2.0 * 10.0**-decimals * mps
    # A readout takes a value once a second, or faster: what it shows may be a second old.
    value = shown[first] * mps
    best, back = size.astype(float), np.full(len(size), -1)
    for k in range(len(size)):
        for j in range(max(0, k - 12), k):
            reach = HARDEST_MPS2 * (t_s[first[k]] - t_s[first[j]]) + slack
            if abs(value[k] - value[j]) <= reach and best[j] + size[k] > best[k]:
                best[k], back[k] = best[j] + size[k], j
    out, k = np.full(len(shown), np.nan), int(np.argmax(best))
    while k >= 0:
        span = slice(first[k], last[k] + 1)
        out[span] = np.where(np.isfinite(shown[span]), shown[span], np.nan)
        k = int(back[k])
    return out, int(np.isfinite(shown).sum() - np.isfinite(out).sum())


def _clearest(numbers: list[_Found]) -> list[_Found]:
    """Of numbers read at one place, as of digits and of their shadow, the clearest."""

    def clear(number: _Found) -> tuple[bool, bool, float]:
        same = number.line.frames.alone == number.shown
        return number.line.unit is not None, not number.line.doubtful, float(np.mean(same))

    out: list[_Found] = []
    for number in sorted(numbers, key=clear, reverse=True):
        if not any(_are_one(number, other) for other in out):
            out.append(number)
    return out


def _are_one(a: _Found, b: _Found) -> bool:
    return same_place(a.spot.box, b.spot.box) or same_place(_covering(a), _covering(b))


def _is_top(number: _Found, others: Sequence[_Found]) -> bool:
    """Whether a number shows the greatest figure so far of another one, and is not that itself."""
    for other in others:
        top = np.fmax.accumulate(other.shown)
        both = np.isfinite(number.shown) & np.isfinite(other.shown)
        same = float(np.mean(number.shown[both] == top[both])) if np.any(both) else 0.0
        if same > SAME_TOP and np.any(other.shown[both] < top[both]):
            return True
    return False


def _counts(t_s: FloatArray, shown: FloatArray) -> bool:
    """Whether the figures rise evenly over the whole clip."""
    ok = np.isfinite(shown)
    line = np.polynomial.Polynomial.fit(t_s[ok], shown[ok], 1)
    off = float(np.sqrt(np.mean((shown[ok] - line(t_s[ok])) ** 2)))
    span = float(np.ptp(shown[ok]))
    return span > 5 and off < max(0.4, COUNTS_EVENLY * span)


def _chosen(
    path: str, numbers: list[_Found], others: list[str], unit: str | None, *, asked: bool
) -> tuple[_Found, str]:
    """The number that is the speed, and its unit; `asked`: whether a box may be asked for."""
    if unit is None:
        some = [n for n in numbers if n.line.unit in SPEED_UNITS]
    else:
        some = [n for n in numbers if n.line.unit in (unit, None)]
    some = [n for n in some if _is_speed(n, unit or n.line.unit or "m/s")]
    some = [n for n in some if not _is_top(n, [other for other in some if other is not n])]
    if len(some) == 1:
        if some[0].line.doubtful:
            raise UndeterminedError(
                f"{path}: some digits at {_where(some[0])} look like others; reading them needs "
                "text recognition: pip install 'timetrue[readout]'"
                if reader_of_lines() is None
                else f"{path}: some digits at {_where(some[0])} look like others and cannot be "
                "distinguished; use a clip with larger or clearer digits"
            )
        return some[0], unit or str(some[0].line.unit)
    where = "; ".join(f"--box {_where(n)} ({_range(n)})" for n in some or numbers)
    if some:
        raise UndeterminedError(f"{path}: several speeds are in view, choose one: {where}")
    if numbers and unit is None and all(n.line.unit is None for n in numbers):
        raise UsageError(f"{path}: no unit is read beside the number; add --unit, and {where}")
    said = ", ".join([*others, *(f"{_range(n)} {n.line.unit or ''}".strip() for n in numbers)])
    todo = "where you see one, give its place with --box X,Y,W,H, number and unit inside"
    todo = todo if asked else "use a clip with larger or clearer digits, or other footage"
    raise UndeterminedError(f"{path}: no speed is read in the picture ({said}); {todo}")


def _require_speed(path: str, number: _Found, others: list[str]) -> None:
    """Refuse a number that may be something else, since another may be the speed and is not read.

    A height hardly changes, a distance and a top speed never fall.
    """
    shown = number.shown[np.isfinite(number.shown)]
    never_falls = bool(np.all(np.diff(shown) >= 0))
    hardly_changes = number.line.unit is None and np.min(shown) > MOST_STEADY * np.max(shown)
    is_alone = all(one in (A_CLOCK, A_COUNT) for one in others)
    if hardly_changes or (not is_alone and (never_falls or number.line.unit is None)):
        raise UndeterminedError(
            f"{path}: the number read ({_range(number)}) may not be the speed; if it is, say so by "
            f"--box {_where(number)}; else give the place of the speed"
        )


def _is_speed(number: _Found, unit: str) -> bool:
    top = float(np.nanmax(number.shown)) * mps_per(unit)
    return top < FASTEST_MPS


def _where(number: _Found) -> str:
    return ",".join(map(str, _covering(number)))


def _range(number: _Found) -> str:
    places = number.line.decimals
    low, high = float(np.nanmin(number.shown)), float(np.nanmax(number.shown))
    return f"{low:.{places}f} to {high:.{places}f}"


def _covering(number: _Found) -> Box:
    """Around the number at its widest and its unit, displayed pixels."""
    _, y, _, high = number.spot.box
    left, right = number.line.reach
    scale, crop = number.spot.scale, number.spot.crop
    pad = round(COVER_PAD * high)
    first = max(crop[0], round(crop[0] + left / scale) - pad)
    end = min(crop[0] + crop[2], round(crop[0] + right / scale) + pad)
    top, low = max(0, y - pad), min(number.spot.size[1], y + high + round(COVER_BELOW * high))
    return first, top, end - first, low - top


def _readout(clip: ClipFacts, number: _Found, unit: str, t_s: FloatArray) -> Readout:
    frames = number.line.frames
    read = np.isfinite(frames.values) & np.isfinite(number.shown)
    misread: BoolArray = read & (frames.alone != number.shown)
    return Readout(
        clip.path,
        _covering(number),
        unit,
        number.line.decimals,
        t_s,
        number.shown,
        misread,
        number.struck,
        updates_of(t_s, number.shown),
    )
