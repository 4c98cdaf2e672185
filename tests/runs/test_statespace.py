"""The recursions against one big Gaussian, conditioned by the textbook.

Covariances by the matrix exponential; Bishop, Pattern Recognition and Machine Learning (2006), 2.81
and 2.82 (from memory).
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import block_diag, expm
from scipy.stats import multivariate_normal

from overlay.runs.statespace import (
    NEVER_AT_REST,
    Hypotheses,
    Readings,
    jerk_covariance,
    jerk_gain,
    log_likelihood,
    moving_prior,
    ramp_response,
    run_smoother,
    states_at,
    transition,
)
from overlay.runs.tuning import JERK

TAU_S = 0.3


def exact_step(h, tau):
    """Transition and covariance for unit jerk: Van Loan's integral (IEEE TAC 23, 1978)."""
    a = np.zeros((4, 4))
    a[0, 1] = a[1, 2] = 1.0
    a[3, 1], a[3, 3] = 1 / tau, -1 / tau
    noise = np.zeros((4, 4))
    noise[2, 2] = 1.0
    big = expm(np.block([[-a, noise], [np.zeros((4, 4)), a.T]]) * h)
    f = big[4:, 4:].T
    return f, f @ big[:4, 4:]


def jerk_over(start, end, extra, jerk, launch, launch_jerk):
    """Intensity over one step as the module's head says it: early, then calm; heavy at launch."""
    begin = max(start, launch)
    moving = end - begin
    since = max(0.0, (begin + end) / 2 - launch)
    heavy = (min(end, launch + JERK.launch_span_s) - begin) / moving if moving > 0 else 0.0
    early = 1 + JERK.early * np.exp(-since / JERK.early_s)
    return jerk * early + extra + launch_jerk * min(1.0, max(0.0, heavy))


class Dense:
    """All states of one hypothesis as one Gaussian; `whole` gives the step that each is part of."""

    def __init__(self, t, extra, what, first_mps, whole=None, tau=TAU_S):
        jerk, noise, launch, step, launch_jerk = (float(x[0]) for x in vars(what).values())
        n = len(t)
        mean, prior = np.zeros(4), np.zeros((4, 4))
        if launch == NEVER_AT_REST:
            mean, prior = moving_prior(first_mps, tau)
        powers, sources = np.zeros((4 * n, 4 * n)), [prior]
        powers[:4, :4] = np.eye(4)
        self.mean = [mean]
        for k in range(1, n):
            h = max(0.0, t[k] - max(t[k - 1], launch))
            f, q = exact_step(h, tau)
            start, end = (t[k - 1], t[k]) if whole is None else whole[k]
            q = q * jerk_over(start, end, extra[k], jerk, launch, launch_jerk)
            if t[k - 1] <= launch < t[k]:
                gain = f[:, 2]
                q = q + step**2 * np.outer(gain, gain)
            powers[4 * k : 4 * k + 4] = f @ powers[4 * k - 4 : 4 * k]
            powers[4 * k : 4 * k + 4, 4 * k : 4 * k + 4] = np.eye(4)
            sources.append(q)
            self.mean.append(f @ self.mean[-1])
        self.mean = np.concatenate(self.mean)
        self.covariance = powers @ block_diag(*sources) @ powers.T
        self.noise = noise

    def read(self, weight, direct):
        """Matrix that picks the readings, and their noise."""
        used = np.flatnonzero(np.isfinite(weight))
        h = np.zeros((len(used), len(self.mean)))
        h[np.arange(len(used)), 4 * used + np.where(direct[used], 1, 3)] = 1.0
        return used, h, np.where(direct, weight, weight * self.noise)[used] ** 2

    def log_density(self, value, weight, direct):
        used, h, r = self.read(weight, direct)
        s = h @ self.covariance @ h.T + np.diag(r)
        return multivariate_normal(h @ self.mean, s).logpdf(value[used])

    def given(self, value, weight, direct):
        used, h, r = self.read(weight, direct)
        s = h @ self.covariance @ h.T + np.diag(r)
        gain = np.linalg.solve(s, h @ self.covariance).T
        mean = self.mean + gain @ (value[used] - h @ self.mean)
        covariance = self.covariance - gain @ h @ self.covariance
        return mean.reshape(-1, 4), covariance


def hypothesis(launch, *, jerk=1.5, noise=0.08, step=4.0, launch_jerk=0.0):
    return Hypotheses(*(np.array([x]) for x in (jerk, noise, launch, step, launch_jerk)))


@pytest.fixture
def readings(rng):
    t = np.sort(rng.uniform(0, 4, 24))
    weight = rng.uniform(0.5, 2.0, 24)
    direct = rng.random(24) < 0.3
    weight[direct] *= 0.1
    weight[[0, 9]] = np.inf
    extra = np.zeros(24)
    extra[12:15] = 20.0
    value = np.where(t > 1, 3 * (t - 1), 0.0) + 0.1 * rng.standard_normal(24)
    return Readings(t, value, weight, direct, extra)


WHATS = [
    hypothesis(NEVER_AT_REST),
    hypothesis(1.0),
    hypothesis(0.7, step=0.0, launch_jerk=40.0),
    hypothesis(2.2, jerk=0.05, noise=0.3, step=1.0, launch_jerk=5.0),
]


@pytest.mark.parametrize("what", WHATS)
def test_log_likelihood__is_the_density_of_one_big_gaussian(readings, what):
    dense = Dense(readings.t_s, readings.extra_jerk, what, readings.value_mps[0])
    expected = dense.log_density(readings.value_mps, readings.weight, readings.direct)
    assert log_likelihood(readings, what, TAU_S)[0] == pytest.approx(expected, rel=1e-7, abs=1e-6)


def test_log_likelihood__hypotheses_side_by_side_are_as_alone(readings):
    alone = [log_likelihood(readings, what, TAU_S)[0] for what in WHATS[1:]]
    columns = [np.concatenate(c) for c in zip(*(vars(w).values() for w in WHATS[1:]), strict=True)]
    together = log_likelihood(readings, Hypotheses(*columns), TAU_S)
    np.testing.assert_allclose(together, alone, rtol=1e-9)


@pytest.mark.parametrize("what", WHATS)
def test_smoother__is_the_conditional_of_one_big_gaussian(readings, what, rng):
    """At the knots and between them, where a step's jerk is that of the whole step."""
    r = readings
    at = np.sort(rng.uniform(r.t_s[0], r.t_s[-1], 12))
    t = np.concatenate([r.t_s, at])
    order = np.argsort(t)
    place = np.argsort(order)
    next_knot = np.searchsorted(r.t_s, t[order], side="left").clip(1, len(r.t_s) - 1)
    whole = np.stack([r.t_s[next_knot - 1], r.t_s[next_knot]], 1)
    none, inf = np.zeros(12), np.full(12, np.inf)
    value, weight = (np.concatenate(c)[order] for c in ((r.value_mps, none), (r.weight, inf)))
    direct = np.concatenate([r.direct, none > 0])[order]
    dense = Dense(t[order], r.extra_jerk[next_knot], what, r.value_mps[0], whole)
    mean, covariance = dense.given(value, weight, direct)
    passes = run_smoother(r, what, TAU_S)
    found, spread = states_at(t, r, passes, what, TAU_S)
    for i, k in enumerate(place):
        block = covariance[4 * k : 4 * k + 4, 4 * k : 4 * k + 4]
        np.testing.assert_allclose(found[i, 0], mean[k], atol=2e-6)
        np.testing.assert_allclose(spread[i, 0], block, atol=2e-6)


def test_smoother__residuals_are_those_of_leaving_one_reading_out(readings):
    """The standardised smoothing error is the error of the prediction by all other readings
    (de Jong and Penzer, JASA 93, 1998; from memory)."""
    what, r = WHATS[1], readings
    residual = run_smoother(r, what, TAU_S).residual[:, 0]
    for k in (5, 11, 13, 20):
        weight = r.weight.copy()
        weight[k] = np.inf
        dense = Dense(r.t_s, r.extra_jerk, what, r.value_mps[0])
        mean, covariance = dense.given(r.value_mps, weight, r.direct)
        row = 1 if r.direct[k] else 3
        own = r.weight[k] * (1.0 if r.direct[k] else what.noise[0])
        spread = np.sqrt(covariance[4 * k + row, 4 * k + row] + own**2)
        expected = (r.value_mps[k] - mean[k, row]) / spread
        if r.t_s[k] > what.launch_s[0]:
            assert residual[k] == pytest.approx(expected, abs=1e-5)
    assert residual[9] == 0.0


def test_smoother__information_is_the_curvature_of_a_jump(readings):
    """The adjoint over the root of its information is the score of a jump of the acceleration."""
    what, r, k = WHATS[1], readings, 15
    passes = run_smoother(r, what, TAU_S)

    def likelihood(jump):
        base = Dense(r.t_s, r.extra_jerk, what, r.value_mps[0])
        response = np.zeros((len(r.t_s), 4))
        for j in range(k, len(r.t_s)):
            f, _ = exact_step(r.t_s[j] - r.t_s[k], TAU_S)
            response[j] = jump * f[:, 2]
        base.mean = base.mean + response.ravel()
        return base.log_density(r.value_mps, r.weight, r.direct)

    step = 0.01
    score = (likelihood(step) - likelihood(-step)) / (2 * step)
    curvature = -(likelihood(step) - 2 * likelihood(0) + likelihood(-step)) / step**2
    assert passes.adjoint[k, 0, 2] == pytest.approx(score, rel=1e-4)
    assert passes.information[k, 0, 2, 2] == pytest.approx(curvature, rel=1e-3)


@pytest.mark.parametrize("tau", [0.05, 0.3, 1.5])
def test_transition__and_gain_agree_with_the_exponential(tau):
    for h in (0.0, 0.02, 0.3):
        f, q = exact_step(h, tau)
        np.testing.assert_allclose(transition(np.array(h), tau)[:, :3], f[:, :3], atol=1e-6)
        np.testing.assert_allclose(jerk_gain(np.array(h), tau), f[:, 2], atol=1e-6)
        np.testing.assert_allclose(jerk_covariance(np.array(h), tau), q, atol=1e-6)


def test_transition__without_smoothing_the_reading_is_the_speed():
    f = transition(np.array(0.2), 0.0)
    assert f[3].tolist() == [0.0, 1.0, 0.2, 0.0]
    assert ramp_response(np.array(2.0), 0.0) == 2.0
    assert jerk_gain(np.array(0.2), 0.0).tolist() == pytest.approx([0.02, 0.2, 1.0, 0.2])


def test_moving_prior__reading_trails_the_speed():
    """Under constant acceleration the reading is tau a behind: y = v - tau a."""
    mean, p = moving_prior(7.0, TAU_S)
    assert mean.tolist() == [0.0, 7.0, 0.0, 7.0]
    assert p[1, 1] == 100.0
    assert p[2, 2] == 25.0
    y = np.array([0.0, 1.0, -TAU_S])
    joint = p[:3, :3]
    np.testing.assert_allclose(p[3, :3], y @ joint, atol=1e-12)
    assert p[3, 3] == pytest.approx(y @ joint @ y + 0.01)
    assert moving_prior(7.0, 0.0)[1][3, 3] == 100.0


def test_pick__keeps_the_order_asked_for():
    what = Hypotheses(*(np.arange(3.0) + 10 * k for k in range(5)))
    picked = what.pick(np.array([2, 0]))
    assert [x.tolist() for x in vars(picked).values()] == [
        [2.0 + 10 * k, 10.0 * k] for k in range(5)
    ]


def test_readings__before_the_launch_only_noise_explains_them(readings):
    late = replace(hypothesis(10.0), noise=np.array([0.2]))
    expected = sum(
        -0.5 * (v / s) ** 2 - np.log(s * np.sqrt(2 * np.pi))
        for v, s in zip(
            readings.value_mps,
            np.where(readings.direct, readings.weight, 0.2 * readings.weight),
            strict=True,
        )
        if np.isfinite(s)
    )
    assert log_likelihood(readings, late, TAU_S)[0] == pytest.approx(expected, rel=1e-9)
