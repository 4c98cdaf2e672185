"""Preparing the log: what a receiver shows where the vehicle rests."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats

from overlay.series import Series
from overlay.sync.estimate import estimate_offset
from overlay.sync.evidence import without_rest_level
from tests.sync.scenes import launch, log_of, motion_of


@pytest.mark.parametrize(
    ("kind", "share"),
    [
        ("one component", scipy.stats.halfnorm.mean()),
        ("two components", scipy.stats.rayleigh.mean()),
    ],
)
def test_rest_level__noise_of_a_speed_at_rest(rng, kind, share):
    # 0.798 and 1.253 sigma: means of the half-normal and the Rayleigh distribution, from scipy
    t = np.arange(0, 60, 0.1)
    along = np.interp(t, [30, 33], [0, 12]) + rng.normal(0, 0.1, len(t))
    across = rng.normal(0, 0.1 if kind == "two components" else 0.0, len(t))
    log = Series("speed_mps", t, np.hypot(along, across))
    rest = t < 29
    assert np.mean(log.values[rest]) == pytest.approx(share * 0.1, rel=0.1)
    found = without_rest_level(log)
    assert np.mean(found.values[rest]) == pytest.approx(0.0, abs=0.005)
    assert np.all(found.values[t > 31] == log.values[t > 31])


@pytest.mark.parametrize(
    "speed",
    [
        lambda t: np.where(t < 10, 0.4, 8.0),  # creeps
        lambda t: np.where(t < 10, 0.0, 8.0) + 0.05 * np.sin(9 * t),  # shows negative values
        lambda t: np.rint(np.clip(t - 10, 0, 9)),  # whole figures
    ],
    ids=["creeping", "signed", "rounded"],
)
def test_rest_level__other_logs_are_left_alone(speed):
    t = np.arange(0, 30, 0.1)
    log = Series("speed_mps", t, speed(t))
    assert np.array_equal(without_rest_level(log).values, log.values)


def test_estimate__a_receiver_that_never_shows_less_than_0_tells_a_lone_launch_no_earlier(rng):
    errors = []
    for _ in range(8):
        signed = log_of(launch(at_s=4.0), rng, sigma_mps=0.2)
        log = replace(signed, values=np.abs(signed.values))
        found = estimate_offset(motion_of(launch(at_s=4.0), rng, length_s=10, sigma_mps=0.1), log)
        errors.append(found.total_offset_s - 0.9)
    assert abs(np.mean(errors)) < 0.015
