"""How late a shown speed is behind a speed that was measured otherwise, of unknown scale.

``rate(t) = g v(t + lag) (1 + b (v / top - 1/2) + c a)``: the scale g is free; b lets it differ
between slow and fast, c with the acceleration a, since a vehicle pitches on its springs and a
drive slips, each within what is usual, with heavy tails (Cauchy) for what is not. The fit is
robust (Cauchy weights) and whitened by errors that last: of the speed shown, and of the motion,
which grow with the speed. Its interval is the wider of the least-squares one and of a moving-block
bootstrap of the residuals (Künsch 1989, Ann. Statist. 17:1217; Liu and Singh 1992), in both of
which b and c vary too, so that what a launch alone cannot tell from a lag counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from overlay.series import Series
from overlay.timebase import FloatArray
from overlay.verify.ground import Pace
from overlay.verify.verdict import Z95, Check

SEARCH_S, SEARCH_STEP_S = (-2.0, 4.0), 0.05
LEAST_OVERLAP = 0.5  # of the pairs must have a speed shown at a lag for it to be tried
CAUCHY, OUTLIER = 2.4, 4.0
FLOOR, SHARE = 0.01, 0.02  # least scatter of a rate: of the top rate, and of itself
# Usual size of b, and of c in s²/m: once the pitch is taken out, c is 0.0002 to 0.0024 on rendered
# carts that pitch by up to 0.45° for each m/s², which were 0.02 to 0.06 before.
BEND_SIGMA, SQUAT_SIGMA = 0.03, 0.002
SOFT_SIGMA = 0.03  # of c where pitch was not seen, as of a car on a street at 10 pictures a second
ACCEL_S = 0.15  # over which the shown speed is smoothed for its acceleration
ROUNDS, SETTLED, STEP_S = 12, 3, 0.02
# Errors that last, one pair of sizes chosen by likelihood: of the speed shown, m/s (a log at 10 Hz
# with noise of 0.07 m/s leaves 0.038), and of the motion, as a share of it. How long they last, s.
DRIFTS = tuple(product((0.04, 0.06, 0.1, 0.2, 0.5), (0.004, 0.007, 0.012, 0.02, 0.04, 0.1)))
DRIFT_S = (0.8, 0.5)
BLOCK_S, DRAWS, SEED = 1.0, 500, 20261127
LEAST_CHANGE_MPS, LEAST_CHANGE = 2.0, 0.25  # of the speed shown, and of its top
# Half seconds of the motion stray from a true speed by 0.3 to 1.9 % of the top on rendered ground,
# by 4 to 8 % among parked cars on real streets, in episodes of seconds that no interval covers.
STRAY_S, LARGEST_STRAY = 0.5, 0.03
RIVAL_S, RIVAL = 0.5, 1.1  # another lag further off than this must fit worse by this factor
WIDEST_S = 0.5


@dataclass(frozen=True, eq=False)
class Fitted:
    """A fitted lag."""

    # How late the shown speed is, and half of its 95 % interval.
    lag_s: float = math.nan
    half_s: float = math.inf
    # b, and c in s²/m.
    bend: float = 0.0
    squat: float = 0.0
    # shape (4, n): Of each pair used: time, speed and acceleration shown, and rate less fit over
    # the top rate.
    used: FloatArray = field(default_factory=lambda: np.zeros((4, 0)))
    reason: str = ""  # why there is no lag, else empty

    def check(self, evidence: str, *, accuses: bool = True) -> Check:
        """What it says as a witness."""
        if self.reason:
            return Check(evidence, reason=self.reason, accuses=accuses)
        ends_s = (self.lag_s - self.half_s, self.lag_s + self.half_s)
        return Check(evidence, self.lag_s, ends_s, accuses=accuses)


class _Shown:
    """The speed shown as means over pairs, and its slope."""

    def __init__(self, shown: Series) -> None:
        from scipy.integrate import cumulative_trapezoid
        from scipy.ndimage import gaussian_filter1d

        self.t_s = shown.t_s
        self.way_m = cumulative_trapezoid(shown.values, shown.t_s, initial=0)
        self.top = float(np.percentile(shown.values, 98))
        self.fine_s = np.arange(shown.t_s[0], shown.t_s[-1], STEP_S)
        smooth = gaussian_filter1d(
            np.interp(self.fine_s, shown.t_s, shown.values), ACCEL_S / STEP_S
        )
        self.accel = np.gradient(smooth, STEP_S)

    def mean(self, pace: Pace, lag_s: float) -> FloatArray:
        """Mean speed over each pair, shown `lag_s` later; NaN beyond what is shown."""
        ends = [
            np.interp(pace.t_s + lag_s + side, self.t_s, self.way_m, left=np.nan, right=np.nan)
            for side in (-pace.span_s / 2, pace.span_s / 2)
        ]
        return np.asarray((ends[1] - ends[0]) / pace.span_s)

    def slope(self, pace: Pace, lag_s: float) -> FloatArray:
        """Acceleration in each pair, which is also the change of its speed for a second of lag."""
        return np.asarray(np.interp(pace.t_s + lag_s, self.fine_s, self.accel))


def fit_lag(
    pace: Pace, shown: Series, *, bend: float = BEND_SIGMA, squat: float = SQUAT_SIGMA
) -> Fitted:
    """How late a shown speed is behind a pace.

    Parameters
    ----------
    pace : Pace
        What was measured, in any unit proportional to speed.
    shown : Series
        Speed shown at each footage time, m/s.
    bend, squat : float
        Standard deviations of b, and of c in s²/m.
    """
    if pace.reason:
        return Fitted(reason=pace.reason)
    low, high = (float(x) for x in np.percentile(shown.values, [2, 98]))
    if high - low < max(LEAST_CHANGE_MPS, LEAST_CHANGE * high):
        return Fitted(reason=f"the speed shown stays between {low:.1f} and {high:.1f} m/s")
    top = float(np.percentile(np.abs(pace.rate), 98))
    scale = np.sqrt(pace.sigma**2 + (FLOOR * top) ** 2 + (SHARE * pace.rate) ** 2)
    speed = _Shown(shown)
    seed_s, reason = _seed(pace, speed, scale)
    if reason:
        return Fitted(reason=reason)
    return _refined(pace, speed, scale, seed_s, (bend, squat))


def check_motion(pace: Pace, shown: Series, *, evidence: str) -> Check:
    """How late a shown speed is behind motion in the picture.

    What does not pass may be a vehicle that pitched unseen, and is judged with that in mind.

    Parameters
    ----------
    shown : Series
        Speed shown at each footage time, m/s.
    evidence : str
        What is compared, one phrase.
    """
    fits = (fit_lag(pace, shown, squat=squat) for squat in (SQUAT_SIGMA, SOFT_SIGMA))
    usual, soft = (fitted.check(evidence) for fitted in fits)
    return usual if "no lag" in (usual.outcome, soft.outcome) else soft


def _robust(residual: FloatArray) -> tuple[float, FloatArray]:
    """Scatter, and Cauchy weights."""
    spread = float(np.median(np.abs(residual))) / 0.6745 + 1e-9
    return spread, 1 / (1 + (residual / (CAUCHY * spread)) ** 2)


def _seed(pace: Pace, speed: _Shown, scale: FloatArray) -> tuple[float, str]:
    """The lag of least robust scatter on a grid, and why there is none."""
    lags = np.arange(SEARCH_S[0], SEARCH_S[1] + SEARCH_STEP_S / 2, SEARCH_STEP_S)
    cost = np.full(len(lags), np.inf)
    for k, lag_s in enumerate(lags):
        there = speed.mean(pace, lag_s)
        known = np.isfinite(there)
        if known.mean() < LEAST_OVERLAP:
            continue
        x, y = there[known] / scale[known], pace.rate[known] / scale[known]
        weight = np.ones(len(x))
        for _ in range(5):
            gain = np.sum(weight * x * y) / max(float(np.sum(weight * x * x)), 1e-12)
            spread, weight = _robust(y - gain * x)
        cost[k] = spread
    if not np.isfinite(cost).any():
        return 0.0, "the ribbon can be read in too little of the clip"
    best = int(np.argmin(cost))
    if best in (0, len(lags) - 1):
        return 0.0, "it does not follow the speed shown"
    far = np.abs(lags - lags[best]) > RIVAL_S
    inner = np.concatenate([[False], (cost[1:-1] <= cost[:-2]) & (cost[1:-1] <= cost[2:]), [False]])
    rivals = far & inner & (cost < RIVAL * cost[best])
    if rivals.any():
        other = lags[rivals][0]
        return 0.0, f"lags of {lags[best]:+.1f} and {other:+.1f} s fit alike"
    return float(lags[best]), ""


def _refined(
    pace: Pace, speed: _Shown, scale: FloatArray, lag_s: float, usual: tuple[float, float]
) -> Fitted:
    """The fit near a seed, and its interval."""
    width = np.array([math.inf, math.inf, *usual])
    state = np.array([math.nan, lag_s, 0.0, 0.0])
    drift = DRIFTS[0]
    for round_ in range(ROUNDS):
        v, a = speed.mean(pace, state[1]), speed.slope(pace, state[1])
        known = np.isfinite(v)
        t_s, v, a, s = pace.t_s[known], v[known], a[known], scale[known]
        if not np.isfinite(state[0]):
            state[0] = np.sum(v * pace.rate[known] / s**2) / np.sum(v * v / s**2)
        bend = v / speed.top - 0.5
        factor = 1 + state[2] * bend + state[3] * a
        gain = state[0]
        residual = pace.rate[known] - gain * v * factor
        spread, weight = _robust(residual / s)
        slopes = np.stack(
            [v * factor, gain * a * factor, gain * v * bend, gain * v * a, residual], axis=-1
        )
        variance = (spread * s) ** 2 / weight
        lasting = _lasting(t_s, (np.full(len(v), gain), gain * v))
        if round_ == SETTLED:
            # Not by the weights: they would take an error that lasts for many that stray.
            cut = np.clip(residual, -OUTLIER * spread * s, OUTLIER * spread * s)[:, None]
            even = (spread * s) ** 2
            drift = min(DRIFTS, key=lambda sizes: _whitened(cut, even, lasting, sizes)[1])
        white = _whitened(slopes, variance, lasting, drift)[0]
        white, left = white[:, :-1], white[:, -1]
        prior = 1 / (width**2 + (state / CAUCHY) ** 2)
        normal = white.T @ white + np.diag(prior)
        step = np.linalg.solve(normal, white.T @ left - prior * state)
        step[1] = np.clip(step[1], -0.2, 0.2)
        state = state + step
        if abs(step[1]) < 1e-5 and round_ > SETTLED:
            break
    share = residual / (abs(state[0]) * speed.top)
    strays = stray_of(t_s, share)
    if strays > LARGEST_STRAY or state[0] <= 0:
        return Fitted(
            reason=f"it strays from the speed shown by {100 * strays:.0f} % of its top for half a "
            f"second at a time; up to {100 * LARGEST_STRAY:.0f} % can be judged"
        )
    sigma_s = _bootstrap(t_s, white, left, normal, np.sqrt(prior))
    if Z95 * sigma_s > WIDEST_S:
        return Fitted(reason=f"± {Z95 * sigma_s:.1f} s is all that it shows")
    lag_s, bent, squats = (float(x) for x in state[1:])
    return Fitted(lag_s, Z95 * sigma_s, bent, squats, np.stack([t_s, v, a, share]))


def stray_of(t_s: FloatArray, share: FloatArray) -> float:
    """Root mean square of the medians of half seconds."""
    block = np.floor((t_s - t_s[0]) / STRAY_S).astype(int)
    medians = [np.median(share[block == k]) for k in np.unique(block)]
    return float(np.sqrt(np.mean(np.square(medians))))


def _lasting(t_s: FloatArray, sizes: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Bands of the covariance of errors that last `DRIFT_S`, shape (2, bands, n).

    Of compact support (Wendland 1995, Adv. Comput. Math. 4:389).
    """
    reach = min(len(t_s) - 1, math.ceil(max(DRIFT_S) / float(np.median(np.diff(t_s)))))
    bands = np.zeros((2, reach + 1, len(t_s)))
    for k in range(reach + 1):
        here, there = slice(len(t_s) - k), slice(k, None)
        for band, size, length_s in zip(bands, sizes, DRIFT_S, strict=True):
            apart = np.minimum((t_s[there] - t_s[here]) / length_s, 1.0)
            band[k, here] = size[there] * size[here] * (1 - apart) ** 4 * (4 * apart + 1)
    return bands


def _whitened(
    columns: FloatArray, variance: FloatArray, lasting: FloatArray, drift: tuple[float, float]
) -> tuple[FloatArray, float]:
    """Columns freed of what neighbours share, and minus twice the log likelihood of the last."""
    from scipy.linalg import cholesky_banded, solve_banded

    bands = np.tensordot(np.square(drift), lasting, 1)
    bands[0] += variance
    root = cholesky_banded(bands, lower=True)
    white = np.asarray(solve_banded((len(root) - 1, 0), root, columns))
    return white, float(2 * np.log(root[0]).sum() + white[:, -1] @ white[:, -1])


def _bootstrap(
    t_s: FloatArray, slopes: FloatArray, residual: FloatArray, normal: FloatArray, prior: FloatArray
) -> float:
    """Standard deviation of the lag: the least-squares one, or that of draws if it is larger.

    The draws are of moving blocks, one step of the fit each. What the fit took from the residuals
    of each block is given back first (CR2 of Bell and McCaffrey 2002, Surv. Methodol. 28:169): a
    launch and a stop are few blocks.
    """
    rng = np.random.default_rng(SEED)
    n = len(t_s)
    length = max(2, min(n // 3, round(BLOCK_S / float(np.median(np.diff(t_s))))))
    whole, inverse = residual.copy(), np.linalg.inv(normal)
    for start in range(0, n, length):
        block = slopes[start : start + length]
        value, vector = np.linalg.eigh(np.eye(len(block)) - block @ inverse @ block.T)
        root = np.sqrt(np.maximum(value, 1e-3))
        whole[start : start + length] = vector @ (
            (vector.T @ residual[start : start + length]) / root
        )
    starts = rng.integers(0, n, (DRAWS, math.ceil(n / length), 1))
    drawn = ((starts + np.arange(length)) % n).reshape(DRAWS, -1)[:, :n]
    pull = (whole - whole.mean())[drawn] @ slopes + rng.normal(size=(DRAWS, 4)) * prior
    drawn_s = float(np.std(np.linalg.solve(normal, pull.T)[1]))
    return max(drawn_s, math.sqrt(float(inverse[1, 1])))
