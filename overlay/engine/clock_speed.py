"""The offset of an RPM log's clock where no sound helps: engine speed against ground speed.

While the clutch is locked, engine speed is a constant times wheel speed; while it slips or the
engine idles, engine speed only lies above that. So the log is compared with ground speed where
the vehicle is well on its way, with the ratio free, and what does not fit is taken as slip.
"""

from __future__ import annotations

import numpy as np

from overlay.engine.clock import ClockOffset, fit_offset, refused, running
from overlay.engine.tuning import BY_SPEED
from overlay.series import Series
from overlay.timebase import FloatArray
from overlay.units import Z95

WELL_ON_ITS_WAY = 0.3  # of the top speed
LEAST_SPEED_MPS = 2.0


def rpm_clock_offset_from_speed(
    t_s: FloatArray, speed_mps: FloatArray, logged: Series
) -> ClockOffset:
    """Clock offset between an RPM log and footage, from the vehicle's speed.

    Parameters
    ----------
    t_s, speed_mps : ndarray, shape (n,)
        Ground speed on footage time, corrected for the receiver's lag; finite, increasing times.
    logged : Series
        Engine speed, revolutions a minute, on the log's clock.

    Returns
    -------
    ClockOffset
        The interval does not hold the uncertainty of the speed's own time axis.
    """
    if len(t_s) < 8 or len(logged) < 8:
        return refused("the speed or the RPM log is too short")
    log = running(logged)
    top = float(np.percentile(speed_mps, 98))
    least = max(LEAST_SPEED_MPS, WELL_ON_ITS_WAY * top)
    if top < 1.5 * least or len(log) < 8:
        return refused("the vehicle is too slow for its speed to give the engine's")
    spots = np.arange(float(t_s[0]), float(t_s[-1]), 0.1)
    speed = np.interp(spots, t_s, speed_mps)
    fast = speed >= least
    if np.count_nonzero(fast) < 15:
        return refused("the vehicle is on its way for less than 1.5 s")
    spots, speed = spots[fast], speed[fast]
    offsets, support, ratios = _support(spots, np.log(speed), log)
    i = int(np.argmax(support))
    far = np.abs(offsets - offsets[i]) > BY_SPEED.reach_s
    margin = float(support[i] - max(0.0, float(np.max(support[far], initial=0.0))))
    if support[i] < BY_SPEED.least_support:
        return refused("the logged engine speed does not follow the vehicle's speed")
    if margin < BY_SPEED.least_margin:
        return refused(
            f"two places in the RPM log follow the speed alike, one at {offsets[i]:.1f} s"
        )
    found = _fit(t_s, speed_mps, least, log, float(offsets[i]), float(ratios[i]))
    if found is None or found[1] > BY_SPEED.widest_half_s / Z95:
        return refused("speed changes too little for its match with engine speed to be useful")
    centre, sigma = found
    half = Z95 * float(np.hypot(sigma, BY_SPEED.model_sigma_s))
    return ClockOffset(
        True,
        centre,
        (centre - half, centre + half),
        "logged engine speed matched to the vehicle's speed while the clutch holds",
        log.median_step_s / 2,
    )


def _support(
    spots: FloatArray, log_speed: FloatArray, log: Series
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Offsets, how well each explains the log, and the log ratio of engine to ground speed."""
    offsets = np.arange(
        float(log.t_s[0]) - spots[-1], float(log.t_s[-1]) - spots[0], BY_SPEED.seed_step_s
    )
    logs = np.log(log.values)
    weight = 0.1 / BY_SPEED.independent_s
    chance = _mixture(log_speed - np.median(log_speed), float(np.std(log_speed)) + 0.05)
    support = np.zeros(len(offsets))
    ratios = np.zeros(len(offsets))
    for n, offset in enumerate(offsets):
        there = np.interp(spots + offset, log.t_s, logs, left=np.nan, right=np.nan)
        ratio = there - log_speed
        known = np.isfinite(ratio)
        if np.count_nonzero(known) < 15:
            continue
        middle = densest(ratio[known])
        ratios[n] = middle
        gain = _mixture(ratio[known] - middle, BY_SPEED.spread) - chance[known]
        support[n] = weight * float(np.sum(gain))
    return offsets, support, ratios


def densest(values: FloatArray) -> float:
    """Centre of the densest third: slip only ever lifts the ratio."""
    ordered = np.sort(values)
    width = max(4, len(ordered) // 3)
    i = int(np.argmin(ordered[width - 1 :] - ordered[: len(ordered) - width + 1]))
    return float(np.mean(ordered[i : i + width]))


def _mixture(residual: FloatArray, spread: float) -> FloatArray:
    """Log density: a normal core and a wide part for what slips."""
    core = 0.85 / spread * np.exp(-0.5 * (residual / spread) ** 2)
    wide = 0.15 / BY_SPEED.chance_spread * np.exp(-0.5 * (residual / BY_SPEED.chance_spread) ** 2)
    return np.asarray(np.log(core + wide + 1e-9))


def _fit(
    t_s: FloatArray,
    speed_mps: FloatArray,
    least_mps: float,
    log: Series,
    offset_s: float,
    log_ratio: float,
) -> tuple[float, float] | None:
    """Refined offset; the ratio follows at each step, and slipping samples are left out."""
    usable = np.where(speed_mps >= least_mps, speed_mps, np.nan)
    slope = np.gradient(usable, t_s)
    state = {"ratio": float(np.exp(log_ratio))}

    def predicted(offset: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        at = log.t_s - offset
        speed = np.interp(at, t_s, usable, left=np.nan, right=np.nan)
        lean = np.interp(at, t_s, slope, left=np.nan, right=np.nan)
        known = np.isfinite(speed)
        if np.any(known):
            ratio = log.values[known] / speed[known]
            near = np.abs(ratio / state["ratio"] - 1) < 0.05
            if np.count_nonzero(near) > 5:
                state["ratio"] = float(np.median(ratio[near]))
        value = state["ratio"] * speed
        slipping = np.abs(log.values / np.where(known, value, 1.0) - 1) > 0.08
        value = np.where(known & ~slipping, value, np.nan)
        return value, state["ratio"] * lean, np.zeros(len(at))

    return fit_offset(log, predicted, offset_s)
