"""Motion along the path from followed corners, with the ground as one plane.

The check's own model, in one with nothing that the alignment's motion signal is made by but the
sorting of pairs and the summing of turns. How the camera looks at the ground is learned from the
pairs of pictures that move most, by a loss that flattens out, since much of a picture is no ground.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from overlay.motion.attitude import smooth_attitude
from overlay.motion.model import MotionSignal, used
from overlay.motion.signal import scaled_signal
from overlay.motion.trust import sort_pairs
from overlay.timebase import FloatArray
from overlay.verify.corners import CornerPairs
from overlay.verify.planar import CAUCHY, FOCAL_SHARE, MAP, BoolArray, Flow, Found, part_of, solve

NOISE_PX = 0.5  # of a followed corner
LEARN_PAIRS = 100
LEAST_PAIRS = 20
LEAST_CORNERS = 12
HEADINGS_DEG = (0.0, 45.0, 90.0, 135.0)  # the other way about, motion has the other sign
HORIZONS = (-0.3, -0.15, 0.0, 0.15, 0.3)
USUAL_LEAN = 0.05  # of the ground to the side, and of the camera up or down, loosely
STARTS = 3
BLURS = (4.0, 1.0)  # noise is taken larger first, so that a rough start finds its way
ROUNDS = 2
STILL_SIGMAS = 1.0
# Mean square misfit, in sigmas, of corners on plain ground: gravel and grass stand up a little.
USUAL_MISFIT = 4.0
MOST_MISFIT = 25.0
FOREIGN = 1e8
# Lone launches cut from four rendered clips came out 63 to 74 ms late; a sigma of 40 is allowed.
GAIN_BEND = 0.02
# Distance over its sigma in the liveliest pairs: 70 on simulated runs, 15 where corners on real
# footage were few and led astray.
LEAST_SIGNIFICANCE = 30.0
LARGEST_HORIZON = 0.4  # focal lengths from the picture's middle; beyond, the ground was not found
NEAR_SIGMAS = 4.0
LEAST_EXPLAINED = 0.5


def corner_motion(pairs: CornerPairs) -> MotionSignal:
    """Forward motion from followed corners.

    Parameters
    ----------
    pairs : CornerPairs

    Returns
    -------
    MotionSignal
        As :func:`overlay.motion.motion_signal` gives; `reason` is set where corners cannot tell.
    """
    count = pairs.ok.sum(axis=1)
    rich = np.flatnonzero(count >= LEAST_CORNERS)
    if len(rich) < LEAST_PAIRS:
        return _nothing(pairs, f"only {len(rich)} pairs of pictures show corners to follow")
    focal = FOCAL_SHARE * max(pairs.size)
    flow = Flow(
        pairs.place[..., 0] / focal,
        pairs.place[..., 1] / focal,
        pairs.move[..., 0] / focal,
        pairs.move[..., 1] / focal,
        pairs.ok,
        NOISE_PX / focal,
        np.ones(MAP * MAP),
    )
    geometry, spread = _learn(flow.part(_telling(flow, rich)))
    flow = replace(flow, spread=spread)
    free = solve(flow, geometry)
    tilt = smooth_attitude(free.tilt, free.tilt_information, free.turn[:, 1], free.distance)
    found = solve(flow, geometry, tilt=tilt)
    reason = _why_untold(found, flow, geometry)
    return _nothing(pairs, reason) if reason else _signal(pairs, found, flow.ok)


def _telling(flow: Flow, rich: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Pairs to learn from: those that move most, spread over the clip."""
    size = np.where(flow.ok[rich], np.hypot(flow.u[rich], flow.v[rich]), np.nan)
    moved = np.nanpercentile(size, 70, axis=1)
    lively = rich[moved >= 0.3 * np.percentile(moved, 95)]
    spots = np.linspace(0, len(lively) - 1, min(len(lively), LEARN_PAIRS)).astype(np.int64)
    return np.asarray(lively[spots])


def _learn(flow: Flow) -> tuple[FloatArray, FloatArray]:
    """How the camera looks at the ground, and how well each part of the picture obeys."""
    starts = [
        np.array([np.radians(heading), 0.0, horizon])
        for heading in HEADINGS_DEG
        for horizon in HORIZONS
    ]
    moving = replace(flow, ok=flow.ok & ~_still_parts(flow)[part_of(flow)])
    few = moving.part(np.arange(0, len(flow.x), max(1, len(flow.x) // 25)))
    starts.sort(key=lambda start: float(np.sum(_cost(few, start) ** 2)))
    tried = [_polished(moving, start) for start in starts[:STARTS]]
    geometry = min(tried, key=lambda found: found[1])[0]
    spread = _spread(flow, geometry)
    for _ in range(ROUNDS - 1):
        flow = replace(flow, spread=spread)
        geometry = _polished(flow, geometry)[0]
        spread = _spread(flow, geometry)
    return geometry, spread


def _polished(flow: Flow, start: FloatArray) -> tuple[FloatArray, float]:
    """The geometry that fits best near a start, and its cost."""
    from scipy.optimize import least_squares

    geometry, cost = start, float("inf")
    for blur in BLURS:
        wide = replace(flow, noise=blur * flow.noise)

        def misfit(tried: FloatArray, wide: Flow = wide) -> FloatArray:
            return np.append(_cost(wide, tried), tried[1:] / USUAL_LEAN)

        steps = np.full(len(start), 1e-4)
        found = least_squares(misfit, geometry, diff_step=steps, max_nfev=8, x_scale=0.05)
        geometry, cost = np.asarray(found.x, dtype=np.float64), float(found.cost)
    return geometry, cost


def _cost(flow: Flow, geometry: FloatArray, passes: int = 3) -> FloatArray:
    """Root of the robust cost of each corner, shape (corners of all pairs,)."""
    found = solve(flow, geometry, passes=passes)
    relative = found.misfit[flow.ok] / CAUCHY**2
    return np.sqrt(relative / (1 + relative))


def _still_parts(flow: Flow) -> BoolArray:
    """Parts of the picture whose corners hardly move: bodywork, or what is far away."""
    part, keep = part_of(flow), flow.ok
    still = np.hypot(flow.u, flow.v) < STILL_SIGMAS * flow.noise
    count = np.bincount(part[keep], minlength=MAP * MAP)
    stood = np.bincount(part[keep], still[keep], MAP * MAP)
    return np.asarray(stood > 0.5 * count)


def _spread(flow: Flow, geometry: FloatArray) -> FloatArray:
    """Factor >= 1 on the variance in each part of the picture, by how its corners obey the plane.

    A hedge stands off the plane; bodywork rather stands still and must say nothing.
    """
    found = solve(replace(flow, spread=np.ones(MAP * MAP)), geometry)
    still = (flow.u**2 + flow.v**2) / flow.noise**2
    part, keep = part_of(flow), flow.ok
    count = np.maximum(np.bincount(part[keep], minlength=MAP * MAP), 1)
    as_model = (
        np.bincount(part[keep], np.minimum(found.misfit[keep], MOST_MISFIT), MAP * MAP) / count
    )
    as_still = np.bincount(part[keep], np.minimum(still[keep], MOST_MISFIT), MAP * MAP) / count
    spread = np.maximum(as_model / USUAL_MISFIT, 1.0)
    return np.asarray(np.where((as_still < as_model) & (as_model > 0.3), FOREIGN, spread))


def _why_untold(found: Found, flow: Flow, geometry: FloatArray) -> str | None:
    """Why corners cannot tell motion, or None when they can."""
    strong = float(np.percentile(np.abs(found.distance / found.sigma), 95))
    if strong < LEAST_SIGNIFICANCE:
        return "too few corners of the ground move for sure"
    if abs(geometry[2]) > LARGEST_HORIZON:
        return "the corners do not lie on a plane such as the ground"
    lively = np.abs(found.distance) > 0.4 * np.percentile(np.abs(found.distance), 95)
    near = (found.misfit[lively] < NEAR_SIGMAS**2)[flow.ok[lively]]
    if near.mean() < LEAST_EXPLAINED:
        return f"only {100 * near.mean():.0f} % of the corners move as ground would"
    return None


def _signal(pairs: CornerPairs, found: Found, ok: BoolArray) -> MotionSignal:
    """The signal with its sign, scale and trust, repeats left out."""
    kinds = sort_pairs(
        start_s=pairs.start_s,
        rate=found.distance / (pairs.end_s - pairs.start_s),
        difference=pairs.difference,
        lost_share=pairs.lost_share,
        level_step=pairs.level_step,
    )
    few = ok.sum(axis=1) < LEAST_CORNERS
    signal = scaled_signal(
        pairs.end_s,
        kinds,
        distance=found.distance,
        sigma=found.sigma,
        quality=np.where(few, 0.0, 1 - pairs.lost_share),
        moving_share=float(ok.any(axis=0).mean()),
    )
    if not used(signal).any():
        return _nothing(pairs, "no pair of pictures shows corners to follow")
    return replace(signal, gain_bend=GAIN_BEND)


def _nothing(pairs: CornerPairs, reason: str) -> MotionSignal:
    none = np.zeros(len(pairs))
    return MotionSignal(
        t_s=(pairs.start_s + pairs.end_s) / 2,
        span_s=pairs.end_s - pairs.start_s,
        forward=none,
        quality=none,
        sigma=none + 1.0,
        moving_share=0.0,
        reason=reason,
    )
