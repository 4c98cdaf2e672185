"""Ground speed from followed corners: how the camera looks at the ground, its pitch, its way."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.timebase import FloatArray
from overlay.verify.corners import CornerPairs
from overlay.verify.plane import (
    CAUCHY,
    FOCAL_SHARE,
    FOREIGN,
    MAP,
    NOISE_PX,
    STRAY_RAD,
    BoolArray,
    Flow,
    Found,
    solve,
)

LEARN_PAIRS, FEW_PAIRS, LEAST_PAIRS, LEAST_CORNERS = 60, 20, 20, 12
HEADINGS_DEG = (0.0, 45.0, 90.0, 135.0)  # the other way about, motion has the other sign
HORIZONS = (-0.3, -0.15, 0.0, 0.15, 0.3)
USUAL_LEAN = 0.05  # of the ground to the side, and of the camera up or down, loosely
STARTS, ROUGH, FINE, MOST_TRIES = 3, 0.08, 0.02, 60
LEARN_STRAY_RAD = 0.015  # while the geometry is learned, lest pitch stand in for a wrong horizon
# Pairs in which the picture moves so many times as far as its parts move against each other, and as
# it does in the middle one: rendered driving has 1.7 of the first at most, a hand 2.2 to 4.3.
TURNED = (2.0, 3.0)
PLAIN_SIGMAS = 4.0  # of motion, from which a corner's way along tells plane from no plane
# Mean square misfit, in sigmas, of corners on plain ground: gravel and grass stand up a little.
USUAL_MISFIT, MOST_MISFIT = 4.0, 25.0
# Of the turn between two pictures, of its share with the distance that a wrong horizon hides, and
# how much less the pitch seen in one pair knows than its corners count (their errors are shared).
TURN_SIGMA_RAD, HIDDEN_SIGMA_RAD, SHAPE_INFLATION = 1e-4, 3e-4, 30.0
LEAST_SIGNIFICANCE, LARGEST_HORIZON, LEAST_EXPLAINED = 15.0, 0.5, 0.3
# A picture repeats the one before when it differs by less than this share of what its neighbours
# do, and these by more than a still camera's noise, grey levels.
REPEAT_SHARE, LIVELY_LEVEL, REPEAT_PAIRS = 0.15, 0.4, 9


@dataclass(frozen=True, eq=False)
class Pace:
    """Ground speed in about heights of the camera a second, one value a pair of pictures."""

    # shape (n,): Footage time half-way between the pictures of each pair, and the time between
    # them.
    t_s: FloatArray
    span_s: FloatArray
    # shape (n,): Mean speed over the pair, mostly positive, and its standard uncertainty.
    rate: FloatArray
    sigma: FloatArray
    reason: str = ""  # why there is nothing, else empty

    def part(self, keep: BoolArray) -> Pace:
        """The pairs chosen."""
        t_s, span_s, rate, sigma = (a[keep] for a in (self.t_s, self.span_s, self.rate, self.sigma))
        return Pace(t_s, span_s, rate, sigma, self.reason)


def pace_of(pairs: CornerPairs) -> Pace:
    """Ground speed from followed corners; `reason` says why where they cannot tell."""
    start_s, keep = _merged(pairs)
    span_s = pairs.end_s - start_s
    mid_s = (pairs.end_s + start_s) / 2
    nothing = Pace(mid_s, span_s, np.zeros(len(pairs)), np.ones(len(pairs)))
    rich = np.flatnonzero(keep & (pairs.ok.sum(axis=1) >= LEAST_CORNERS))
    if len(rich) < LEAST_PAIRS:
        return replace(nothing, reason=f"only {len(rich)} pairs of pictures show corners to follow")
    pixel = 1 / (FOCAL_SHARE * max(pairs.size))
    x, y = np.moveaxis(pairs.place[rich] * pixel, -1, 0)
    u, v = np.moveaxis(pairs.move[rich] * pixel, -1, 0)
    flow = Flow(x, y, u, v, pairs.ok[rich], pixel, np.ones(MAP * MAP))
    geometry, spread = _learn(flow.part(_liveliest(flow)))
    flow = replace(flow, spread=spread)
    free = solve(flow, geometry)
    found = solve(flow, geometry, tilt=_smooth_tilt(free))
    reason = _why_untold(found, flow, geometry)
    if reason:
        return replace(nothing, reason=reason)
    sign = 1.0 if found.distance.sum() >= 0 else -1.0
    span_s = span_s[rich]
    return Pace(mid_s[rich], span_s, sign * found.distance / span_s, found.sigma / span_s)


def _liveliest(flow: Flow) -> npt.NDArray[np.int64]:
    """Pairs to learn from: those that move most, spread over the clip.

    A camera that is turned in the hand before the run moves all of the picture alike, and further
    than driving does; such pairs are left out.
    """
    move = np.where(flow.ok[..., None], np.stack([flow.u, flow.v], axis=-1), np.nan)
    own = np.linalg.norm(move - np.nanmedian(move, axis=1, keepdims=True), axis=-1)
    moved, apart = (
        np.nanpercentile(size, 70, axis=1) for size in (np.linalg.norm(move, axis=-1), own)
    )
    turned = (moved > TURNED[0] * apart) & (moved > TURNED[1] * np.median(moved))
    moved[turned] = 0.0
    lively = np.flatnonzero(moved >= 0.3 * np.percentile(moved, 95))
    spots = np.linspace(0, len(lively) - 1, min(len(lively), LEARN_PAIRS)).astype(np.int64)
    return np.asarray(lively[spots])


def _learn(flow: Flow) -> tuple[FloatArray, FloatArray]:
    """How the camera looks at the ground, and how well each part of the picture obeys."""
    starts = [
        np.array([np.radians(heading), 0.0, horizon])
        for heading in HEADINGS_DEG
        for horizon in HORIZONS
    ]
    still = flow.u**2 + flow.v**2 < (NOISE_PX[0] * flow.pixel) ** 2
    moving = replace(flow, ok=flow.ok & ~(_mean_by_part(flow, still) > 0.5)[flow.place])
    few = moving.part(np.arange(0, len(flow.x), max(1, len(flow.x) // FEW_PAIRS)))
    starts.sort(key=lambda start: _cost(few, start))
    tried = [_polished(few, start, ROUGH) for start in starts[:STARTS]]
    geometry = min(tried, key=lambda tried: _cost(few, tried))
    geometry = _polished(moving, geometry, FINE)
    return geometry, _spread(flow, geometry)


def _polished(flow: Flow, start: FloatArray, reach: float) -> FloatArray:
    """The geometry that costs least near a start (simplex of Nelder and Mead 1965)."""
    from scipy.optimize import minimize

    simplex = start + reach * np.vstack([np.zeros(3), np.eye(3)])
    options: Any = {
        "initial_simplex": simplex,
        "xatol": reach / 30,
        "fatol": 0.1,
        "maxfev": MOST_TRIES,
    }
    found: Any = minimize(
        lambda tried: _cost(flow, np.asarray(tried)),  # type: ignore[call-overload]
        start,
        method="Nelder-Mead",
        options=options,
    )
    return np.asarray(found.x, dtype=np.float64)


def _cost(flow: Flow, geometry: FloatArray) -> float:
    """Robust cost of all corners, along and across, under a geometry.

    A corner that ground would hardly move there costs half along: else a horizon set too high
    would take all that is far away for ground that fits.
    """
    found = solve(flow, geometry, stray_rad=LEARN_STRAY_RAD, passes=3)
    relative = found.misfit / CAUCHY**2
    cost = relative / (1 + relative)
    plain = found.along**2 / (found.along**2 + (PLAIN_SIGMAS * NOISE_PX[0] * flow.pixel) ** 2)
    cost[..., 0] = plain * cost[..., 0] + (1 - plain) * 0.5
    return float(cost[flow.ok].sum() + np.sum((geometry[1:] / USUAL_LEAN) ** 2))


def _spread(flow: Flow, geometry: FloatArray) -> FloatArray:
    """Factor >= 1 on the variance in each part of the picture, by how its corners obey the plane.

    A hedge stands off the plane; bodywork rather stands still and must say nothing.
    """
    misfit = solve(flow, geometry).misfit.sum(axis=-1)
    still = (flow.u**2 + flow.v**2) / (NOISE_PX[0] * flow.pixel) ** 2
    as_model = _mean_by_part(flow, np.minimum(misfit, MOST_MISFIT))
    as_still = _mean_by_part(flow, np.minimum(still, MOST_MISFIT))
    spread = np.maximum(as_model / USUAL_MISFIT, 1.0)
    return np.asarray(np.where((as_still < as_model) & (as_model > 0.3), FOREIGN, spread))


def _mean_by_part(flow: Flow, values: npt.NDArray[np.generic]) -> FloatArray:
    """Mean over the corners of each part of the picture, shape (MAP * MAP,)."""
    part = flow.place[flow.ok]
    count = np.bincount(part, minlength=MAP * MAP)
    return np.asarray(np.bincount(part, values[flow.ok], MAP * MAP) / np.maximum(count, 1))


def _smooth_tilt(free: Found) -> FloatArray:
    """The vehicle's pitch in each pair, radians, shape (n,).

    Least squares over the clip: the pitch seen in each pair (rough, without drift), its steps from
    the turns (fine, drifting) plus a share of the distance, and that it stays near its mean.
    """
    from scipy.linalg import solveh_banded

    turn, distance = ((a[1:] + a[:-1]) / 2 for a in (free.turn, free.distance))
    trust, tie = free.information / SHAPE_INFLATION, 1 / TURN_SIGMA_RAD**2
    bands = np.zeros((2, len(trust)))
    bands[1] = trust + 1 / STRAY_RAD**2
    bands[1, 1:] += tie
    bands[1, :-1] += tie
    bands[0, 1:] = -tie
    right = np.zeros((len(trust), 2))
    right[:, 0] = trust * free.tilt
    steps = tie * np.stack([turn, distance], axis=-1)
    right[1:] += steps
    right[:-1] -= steps
    plain, unit = np.asarray(solveh_banded(bands, right)).T
    inner = tie * np.sum(distance * (distance - np.diff(unit))) + 1 / HIDDEN_SIGMA_RAD**2
    share = tie * np.sum(distance * (turn - np.diff(plain))) / inner
    return np.asarray(plain - share * unit)


def _merged(pairs: CornerPairs) -> tuple[FloatArray, BoolArray]:
    """Starts of the pairs, a repeated picture taken for its first showing; and which count."""
    from scipy.ndimage import percentile_filter

    usual = percentile_filter(pairs.difference, 75, size=REPEAT_PAIRS)
    repeat = (pairs.difference < REPEAT_SHARE * usual) & (usual > LIVELY_LEVEL)
    start_s = pairs.start_s.copy()
    for k in np.flatnonzero(repeat[:-1]):
        start_s[k + 1] = start_s[k]
    return start_s, ~repeat


def _why_untold(found: Found, flow: Flow, geometry: FloatArray) -> str:
    """Why corners cannot tell motion; empty when they can."""
    strong = float(np.percentile(np.abs(found.distance / found.sigma), 95))
    if strong < LEAST_SIGNIFICANCE:
        return "too few corners of the ground move for sure"
    if abs(geometry[2]) > LARGEST_HORIZON:
        return "the corners do not lie on a plane such as the ground"
    ground = flow.ok & (found.along > PLAIN_SIGMAS * NOISE_PX[0] * flow.pixel)
    fits = float((found.misfit[ground] < 2 * MOST_MISFIT / 3).all(axis=-1).mean())
    if fits < LEAST_EXPLAINED:
        return f"only {100 * fits:.0f} % of the corners below the horizon move as ground would"
    return ""
