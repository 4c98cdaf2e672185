"""The joint model's likelihood against the same normal density written out whole, by scipy."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import BSpline
from scipy.stats import multivariate_normal

from overlay.sync.evidence import gather, starting_noise, starting_point
from overlay.sync.fit import curvature_sigma_s, fitted, unit_weights
from overlay.sync.joint import RIDGE, START_SIZES, Evidence, Noise, Point
from overlay.sync.solve import OFFSET_SIGMA
from tests.sync.scenes import launch, log_of, motion_of

STEADY = {"gain": 1e-7, "pitch": 1e-9}


def whole_density(e: Evidence, point: Point, noise: Noise) -> float:
    """Minus two log density of all values, as normal ones of mean 0: no band, no elimination.

    w has a prior by its third differences (white d2v/dt2) and by level, slope and bend of its
    start; the motion's offset and the terms of its gain's error have their own; noises are
    first-order autoregressive. Gain times speed is taken to first order about the point.
    """
    grid, tau, step = e.grid, point.smoothing_s, e.grid.step_s
    knots = grid.start_s + step * np.arange(-3, grid.intervals + 4)
    spline = BSpline(knots, np.eye(grid.size), 3)
    before, middle, after = (e.motion_t_s + side * e.motion_span_s / 2 for side in (-1, 0, 1))
    mean = (spline(before) + 4 * spline(middle) + spline(after)) / 6
    span_s = e.motion_span_s[:, None]
    mean = mean + tau * (spline(after) - spline(before)) / span_s
    rate = spline.derivative()
    change = (spline(after) - spline(before)) / span_s + tau * (rate(after) - rate(before)) / span_s
    speed, accel = mean @ point.w, change @ point.w
    errors = np.column_stack([e.gain_basis, accel]) * point.gain * speed[:, None]
    pitch = point.gain * point.gain_error[-1] * speed
    seen = point.gain * (1 + np.column_stack([e.gain_basis, accel]) @ point.gain_error)
    seen = seen[:, None] * mean + pitch[:, None] * change
    when = e.log_t_s - point.shift_s
    when = when - point.drift * (when - e.middle_s)
    rows = np.concatenate([seen, spline(when)])
    # v at a knot and its change by the coefficients themselves: v = w + tau dw/dt, causal.
    eye = np.eye(grid.size)
    v = eye[1:] + tau / step * np.diff(eye, axis=0)
    bend = (v[2:] - 2 * v[1:-1] + v[:-2]) / step**2
    start = [eye[2], (eye[2] - eye[1]) / step, (eye[2] - 2 * eye[1] + eye[0]) / step**2]
    start = np.array(start) / np.array(START_SIZES)[:, None]
    prior = bend.T @ bend * step / noise.jerk**2 + start.T @ start + RIDGE * eye
    cover = rows @ np.linalg.solve(prior, rows.T)
    count = len(e.motion)
    sizes = np.r_[np.full(e.gain_basis.shape[1], noise.gain), noise.pitch]
    cover[:count, :count] += OFFSET_SIGMA**2 + (errors * sizes**2) @ errors.T
    own = np.zeros_like(cover)
    for part, size, scale, colour, joined in (
        (slice(0, count), noise.motion, e.motion_scale, noise.motion_colour, e.motion_joined),
        (slice(count, None), noise.log_mps, e.log_scale, noise.log_colour, e.log_joined),
    ):
        chain = np.cumsum(~joined)
        place = np.arange(len(joined))
        same = chain[:, None] == chain
        kept = np.where(same, colour ** np.abs(place[:, None] - place), 0.0)
        own[part, part] = size**2 / (1 - colour**2) * kept * np.outer(scale, scale)
    values = np.concatenate([e.motion + errors @ point.gain_error + pitch * accel, e.log])
    scales = 2 * np.sum(np.log(e.motion_scale)) + 2 * np.sum(np.log(e.log_scale))
    density = multivariate_normal(np.zeros(len(values)), cover + own, allow_singular=False)
    return float(-2 * density.logpdf(values) - len(values) * np.log(2 * np.pi) - scales)


@pytest.fixture(scope="module")
def evidence() -> Evidence:
    rng = np.random.default_rng(5)
    curve = launch(at_s=2.0)
    return gather(motion_of(curve, rng, length_s=5.0, fps=20.0), log_of(curve, rng, end_s=8.0), 0.9)


@pytest.mark.parametrize(
    ("sizes", "smoothing_s", "shift_s"),
    [
        (STEADY, 0.3, 0.6),
        ({"gain": 0.02}, 0.3, 0.6),
        ({"gain": 0.1, "pitch": 0.02, "motion_colour": 0.2}, 0.4, 0.5),
        ({"motion_colour": 0.4, "log_colour": 0.3}, 0.3, 0.6),
        ({"motion_colour": -0.3, "jerk": 1.0}, 0.0, 0.9),
        ({"motion": 0.05, "log_mps": 0.2, "log_colour": 0.5}, 0.7, 0.3),
    ],
)
def test_cost__is_the_density_of_all_values(evidence, sizes, smoothing_s, shift_s):
    noise = replace(starting_noise(evidence), **sizes)
    point = starting_point(evidence, shift_s + smoothing_s, smoothing_s)
    weights = unit_weights(evidence)
    fit = fitted(evidence, point, noise, weights, steps=25, fixed=True)
    assert fit.point.shift_s == pytest.approx(shift_s, abs=1e-9)
    assert fit.cost == pytest.approx(whole_density(evidence, fit.point, noise), abs=0.02)


def test_cost__of_clocks_that_drift(evidence):
    """Each 40 parts in a million cost what one sigma does."""
    both = replace(evidence, drifts=True)
    noise = replace(starting_noise(both), **STEADY)
    point = replace(starting_point(both, 0.9, 0.3), drift=1.2e-4)
    fit = fitted(both, point, noise, unit_weights(both), steps=25, fixed=True)
    assert fit.point.drift == 1.2e-4
    assert fit.cost == pytest.approx(whole_density(both, fit.point, noise) + 9.0, abs=0.02)


def test_shift__and_its_sigma_are_those_of_the_density(evidence):
    """The least of it, by gain and shift, and its curvature there: a normal one has H / 2."""
    noise = replace(starting_noise(evidence), **STEADY)
    start = starting_point(evidence, 0.9, 0.3)
    fit = fitted(evidence, start, noise, unit_weights(evidence), steps=25)
    steps = np.array([0.01, 0.5 * fit.shift_sigma_s])  # of the gain's logarithm, and of the shift

    def at(gain: int, shift: int) -> float:
        moved = replace(
            fit.point,
            gain=fit.point.gain * np.exp(gain * steps[0]),
            shift_s=fit.point.shift_s + shift * steps[1],
        )
        return whole_density(evidence, moved, noise)

    least = at(0, 0)
    ends = np.array([[at(side, 0), at(0, side)] for side in (-1, 1)])
    corner = (at(1, 1) + at(-1, -1) - at(1, -1) - at(-1, 1)) / 4
    hessian = np.diag(ends.sum(axis=0) - 2 * least) + corner * (1 - np.eye(2))
    covariance = np.linalg.inv(hessian / 2 / np.outer(steps, steps))
    sigma_s = np.sqrt(covariance[1, 1])
    off = covariance @ ((ends[1] - ends[0]) / 2 / steps) / 2
    assert abs(off[1]) < 0.25 * sigma_s
    assert curvature_sigma_s(evidence, fit) == pytest.approx(sigma_s, rel=0.1)
    assert fit.shift_sigma_s == pytest.approx(sigma_s, rel=0.3)
