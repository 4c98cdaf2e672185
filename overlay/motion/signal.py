"""The motion signal of a clip: pictures in, forward motion with its trust out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from overlay.footage.model import LumaFrame
from overlay.motion.attitude import smooth_attitude, tilting_columns
from overlay.motion.cells import CellFit, Cells, Template, turning_basis
from overlay.motion.ego import LOST_LIKENESS, SHARE, fit_motion, learn_template, moving_cells
from overlay.motion.flow import CellFlowMeter, Prepared
from overlay.motion.ground import ground_signal
from overlay.motion.model import LONGEST_PAIR_S, Box, MotionSignal
from overlay.motion.plane import cell_grid, find_plane, plane_tilting
from overlay.motion.steadiness import side_ratio_spread
from overlay.motion.trust import (
    PairKinds,
    find_repeats,
    gain_bend,
    honest_sigma,
    sort_pairs,
    why_untold,
)
from overlay.timebase import FloatArray

# Focal length over the picture's longer side that is assumed at first: 64 degrees across. Only the
# second order of turning depends on it.
_FOCAL_SHARE = 0.8
_LEARN_PAIRS = 240
# Mean square texture, against the picture's own, from which a cell should find its match.
_TEXTURED = 0.2
_TILT_ROUNDS = 2
# Cells off the ground plane: scenery of any depth, and edges of bodywork.
_STRAY_SHARE = 0.5
_STRAY_SPREAD = 5.0
_FOCAL_SHARES = (0.4, 0.5, 0.65, 0.8, 1.0, 1.3)
_FOCAL_PAIRS = 90
_FOCAL_LEAST_PX = 0.6
# Spread of the log ratio of what the two sides of the picture say of the motion: 0.01 to 0.04 on
# rendered open ground, 0.07 in a bend there; 0.015 on a real motorway; on real streets 0.06 to
# 0.46, or nearly all comes from one side.
_UNEVEN_SIDES = 0.03
_HOPELESS_SIDES = 0.12


@dataclass(eq=False)
class _Pairs:
    """What is kept of each pair while the clip is read."""

    start_s: list[float] = field(default_factory=list)
    end_s: list[float] = field(default_factory=list)
    tensor: list[npt.NDArray[np.float32]] = field(default_factory=list)
    pull: list[npt.NDArray[np.float32]] = field(default_factory=list)
    lost_share: list[float] = field(default_factory=list)
    level_step: list[float] = field(default_factory=list)
    difference: list[float] = field(default_factory=list)


def motion_signal(
    frames: Iterable[LumaFrame],
    *,
    ignore: Sequence[Box] = (),
    progress: Callable[[float], None] | None = None,
    larger: Callable[[], Iterable[LumaFrame]] | None = None,
    angle_deg: float | None = None,
) -> MotionSignal:
    """Measure motion along the path between successive pictures.

    Parameters
    ----------
    frames : iterable of LumaFrame
        Small upright pictures of one size, about 320 x 180, in time order.
    ignore : sequence of Box
        Parts of the picture that are not the outside world (a burnt-in readout, gauges).
    progress : callable, optional
        Called with the footage time in seconds reached.
    larger : callable, optional
        Gives the same pictures anew, about 640 x 360; called only where corners on the ground
        have to be followed.
    angle_deg : float, optional
        Angle of view across the picture's longer side, where it is known; for the ground.

    Returns
    -------
    MotionSignal
        One value a pair of pictures; a repeated frame gives none, and the next pair then counts
        from its first showing. `reason` is set and every quality is 0 when the picture cannot
        tell.

    Notes
    -----
    Over open ground every part of the picture keeps its own proportion to the speed, and all of it
    is used, cell by cell. Among things beside the road the proportion follows their distance; then
    only the ground gives the speed, by corners followed from picture to picture.
    """
    meter, pairs = _read_pairs(frames, ignore, progress)
    if meter is None or len(pairs.start_s) < 3:
        return _nothing(pairs, "fewer than four pictures: nothing to compare")
    signal, uneven = _signal(meter, pairs)
    if signal.reason is not None or uneven < _UNEVEN_SIDES:
        return signal
    along_ground = None
    if larger is not None:
        along_ground = ground_signal(larger(), signal, ignore=ignore, angle_deg=angle_deg)
    if along_ground is not None:
        return along_ground
    if uneven < _HOPELESS_SIDES:
        return signal
    return _nothing(
        pairs,
        "things beside the way fill the picture, and too little of the ground can be followed",
    )


def _read_pairs(
    frames: Iterable[LumaFrame],
    ignore: Sequence[Box],
    progress: Callable[[float], None] | None,
) -> tuple[CellFlowMeter | None, _Pairs]:
    pairs = _Pairs()
    meter: CellFlowMeter | None = None
    before: tuple[float, Prepared] | None = None
    keep: npt.NDArray[np.float32] | None = None
    for frame in frames:
        if meter is None:
            height, width = frame.luma.shape
            meter = CellFlowMeter(width, height)
            keep = _outside(ignore, meter.columns, meter.rows)
        ready = meter.prepare(frame.luma)
        if before is not None and keep is not None and frame.t_s - before[0] < LONGEST_PAIR_S:
            _add_pair(pairs, meter, before, (frame.t_s, ready), keep)
        before = (frame.t_s, ready)
        if progress is not None and len(pairs.start_s) % 25 == 0:
            progress(frame.t_s)
    return meter, pairs


def _add_pair(
    pairs: _Pairs,
    meter: CellFlowMeter,
    first: tuple[float, Prepared],
    second: tuple[float, Prepared],
    keep: npt.NDArray[np.float32],
) -> None:
    flow = meter.measure(first[1], second[1])
    alive = keep * (flow.likeness > LOST_LIKENESS)
    # Likeness says how well two cells match; the worse, the less they may say.
    trust = alive * np.clip((flow.likeness - LOST_LIKENESS) / (1 - LOST_LIKENESS), 0, 1)
    pairs.start_s.append(first[0])
    pairs.end_s.append(second[0])
    pairs.tensor.append(flow.tensor * trust[:, None])
    pairs.pull.append(flow.pull * trust[:, None])
    textured = flow.texture > _TEXTURED
    pairs.lost_share.append(float(1 - alive[textured].mean()) if textured.any() else 1.0)
    pairs.level_step.append(second[1].level - first[1].level)
    pairs.difference.append(meter.difference(first[1], second[1]))


def _outside(ignore: Sequence[Box], columns: int, rows: int) -> npt.NDArray[np.float32]:
    """1 for cells that no ignored box touches, else 0, shape (cells,)."""
    keep = np.ones((rows, columns), np.float32)
    x, y = np.arange(columns) / columns, np.arange(rows) / rows
    for box in ignore:
        across = (x < box.right) & (x + 1 / columns > box.left)
        down = (y < box.bottom) & (y + 1 / rows > box.top)
        keep[np.ix_(down, across)] = 0.0
    return keep.ravel()


def _signal(meter: CellFlowMeter, pairs: _Pairs) -> tuple[MotionSignal, float]:
    """The signal of all cells, and how unlike the two sides of the picture are in it."""
    start, end = np.array(pairs.start_s), np.array(pairs.end_s)
    same = find_repeats(np.array(pairs.difference))
    cells = Cells(np.stack(pairs.tensor), np.stack(pairs.pull))
    good = np.flatnonzero(~same)
    if len(good) < 3:
        return _nothing(pairs, "the picture never moves: every frame is the same"), 0.0
    chosen = good[np.linspace(0, len(good) - 1, min(len(good), _LEARN_PAIRS)).round().astype(int)]
    sample = cells.part(chosen)
    width, height = meter.size
    focal_px = _FOCAL_SHARE * max(width, height)
    turning = turning_basis(meter.columns, meter.rows, width, height, focal_px)
    template = learn_template(sample, turning)
    if template is None:
        return _nothing(pairs, "the picture is too dark or too plain to follow it"), 0.0
    fit = fit_motion(cells, template)
    part = CellFit(*(value[chosen] for value in vars(fit).values()))
    shows, moves = moving_cells(sample, template, part)
    reason = why_untold(
        shows=shows,
        moves=moves,
        distance=part.distance,
        sigma=part.sigma,
        mid_s=(start + end)[chosen] / 2,
    )
    if reason is not None:
        return _nothing(pairs, reason), 0.0
    template = _with_focal_length(meter, cells, template, fit, focal_px)
    fit, template = _with_tilt(meter, cells, chosen, template)
    uneven = side_ratio_spread(cells, template, fit, meter.columns)
    kinds = sort_pairs(
        start_s=start,
        rate=fit.distance / (end - start),
        difference=np.array(pairs.difference),
        lost_share=np.array(pairs.lost_share),
        level_step=np.array(pairs.level_step),
    )
    signal = scaled_signal(
        end,
        kinds,
        distance=fit.distance,
        sigma=fit.sigma,
        quality=1 - np.array(pairs.lost_share),
        moving_share=float(moves.mean()),
    )
    return replace(signal, gain_bend=gain_bend(signal.span_s, signal.sigma)), uneven


def _with_focal_length(
    meter: CellFlowMeter, cells: Cells, template: Template, fit: CellFit, focal_px: float
) -> Template:
    """The template with the focal length under which the pairs that turn most fit best.

    The second order of turning tells it; a clip that never turns keeps the one assumed, and need
    not know.
    """
    turned_px = np.hypot(fit.turn[:, 0], fit.turn[:, 1]) * focal_px
    most = np.sort(np.argsort(-turned_px)[:_FOCAL_PAIRS])
    if float(np.median(turned_px[most])) < _FOCAL_LEAST_PX:
        return template
    sample = cells.part(most)
    width, height = meter.size
    logs = np.log(np.array(_FOCAL_SHARES))
    costs, found = [], []
    for share in _FOCAL_SHARES:
        focal = share * max(width, height)
        turning = turning_basis(meter.columns, meter.rows, width, height, focal)
        start = replace(template, turning=turning)
        tried = learn_template(sample, turning, start=start, steps=2) or start
        costs.append(float(np.mean(fit_motion(sample, tried, passes=2).chi2)))
        found.append(tried)
    k = int(np.argmin(costs))
    best = logs[k]
    if 0 < k < len(logs) - 1:
        bend = np.polyfit(logs[k - 1 : k + 2], costs[k - 1 : k + 2], 2)
        best = -bend[1] / (2 * bend[0]) if bend[0] > 0 else best
    focal = float(np.exp(best)) * max(width, height)
    turning = turning_basis(meter.columns, meter.rows, width, height, focal)
    return replace(template, turning=turning)


def _with_tilt(
    meter: CellFlowMeter, cells: Cells, chosen: npt.NDArray[np.int64], template: Template
) -> tuple[CellFit, Template]:
    """Motion and template once that and the pitch and roll of the vehicle fit each other."""
    sample = cells.part(chosen)
    learned = learn_template(sample, template.turning, start=template, steps=2) or template
    tilt = np.zeros((len(cells), 2))
    fit: CellFit | None = None
    for round_ in range(_TILT_ROUNDS):
        template = _with_plane(meter, learned)
        passes = 5 if fit is None else 3
        fit = fit_motion(cells, template, passes=passes, start=fit, tilts_freely=True)
        tilt = np.stack([_tilt_of(fit, axis) for axis in (0, 1)], axis=-1)
        if round_ + 1 < _TILT_ROUNDS:
            found = learn_template(
                sample, template.turning, start=template, tilt=tilt[chosen], steps=2
            )
            learned = found or template
    return fit_motion(cells, template, passes=2, start=fit, tilt=tilt), template


def _with_plane(meter: CellFlowMeter, template: Template) -> Template:
    """The template with the ground as a plane where that explains it, and how it tilts."""
    width, height = meter.size
    focal_px = float(np.sqrt(np.min(template.turning[:, 0, 0])) ** 2)
    grid = cell_grid(meter.columns, meter.rows, width, height, focal_px)
    own = np.where(template.spread < 10, template.trust, 0.0)
    plane = find_plane(grid, template.along, own, template.turning)
    if plane is None:
        tilting = tilting_columns(
            template.along,
            own,
            template.turning,
            columns=meter.columns,
            rows=meter.rows,
            width=width,
            height=height,
        )
        return replace(template, tilting=tilting)
    along = template.along - template.turning @ plane.turn
    share = np.where(plane.follows, SHARE, _STRAY_SHARE).astype(np.float32)
    return replace(
        template,
        along=along,
        tilting=np.where(
            plane.follows[:, None, None], plane_tilting(grid, plane.travel, plane.normal), 0.0
        ),
        spread=np.where(plane.strays, _STRAY_SPREAD, 1.0) * template.spread,
        share=share,
    )


def _tilt_of(fit: CellFit, axis: int) -> FloatArray:
    return smooth_attitude(
        fit.tilt_seen[:, axis],
        fit.tilt_information[:, axis],
        fit.turn[:, axis + 1],
        fit.distance,
    )


def scaled_signal(
    end_s: FloatArray,
    kinds: PairKinds,
    *,
    distance: FloatArray,
    sigma: FloatArray,
    quality: FloatArray,
    moving_share: float,
) -> MotionSignal:
    """The signal with its sign, scale and trust, repeats left out.

    Parameters
    ----------
    end_s : ndarray, shape (n,)
        Footage time of the second picture of each pair.
    kinds : PairKinds
        Of the same pairs.
    distance, sigma : ndarray, shape (n,)
        Along the path, in any one unit, and its standard uncertainty.
    quality : ndarray, shape (n,), 0 to 1
        How far each pair may be trusted; frozen pictures, cuts and flashes are not in any case.
    moving_share : float, 0 to 1
    """
    keep = ~kinds.repeat
    span = (end_s - kinds.start_s)[keep]
    rate = distance[keep] / span
    mid_s = (kinds.start_s + end_s)[keep] / 2
    bad = (kinds.frozen | kinds.cut | kinds.flash)[keep]
    quality = np.where(bad, 0.0, np.clip(quality[keep], 0.0, 1.0))
    trusted = quality > 0
    if not trusted.any():
        trusted = np.ones(len(rate), bool)
    spread = honest_sigma(mid_s, rate, sigma[keep] / span, trusted)
    sign = 1.0 if np.sum(distance[keep][trusted]) >= 0 else -1.0
    top = max(float(np.percentile(np.abs(rate[trusted]), 98)), 1e-12)
    return MotionSignal(
        t_s=mid_s,
        span_s=span,
        forward=sign * rate / top,
        quality=quality,
        sigma=spread / top,
        moving_share=moving_share,
        duplicates=int(kinds.repeat.sum()),
        cuts=int(kinds.cut.sum()),
        flashes=int(kinds.flash.sum()),
    )


def _nothing(pairs: _Pairs, reason: str) -> MotionSignal:
    start, end = np.array(pairs.start_s, float), np.array(pairs.end_s, float)
    n = len(start)
    return MotionSignal(
        t_s=(start + end) / 2,
        span_s=end - start,
        forward=np.zeros(n),
        quality=np.zeros(n),
        sigma=np.ones(n),
        moving_share=0.0,
        duplicates=int(find_repeats(np.array(pairs.difference)).sum()),
        reason=reason,
    )
