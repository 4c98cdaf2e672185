"""The verdict: which outcome belongs to which evidence, and whether its promises hold."""

import json

import numpy as np
import pytest

from overlay.verify import Check, judge
from overlay.verify.verdict import LARGEST_S, passes, passing_s, smallest_caught_s


def check(lag_s: float, half_s: float, **more: object) -> Check:
    return Check("corners", lag_s, (lag_s - half_s, lag_s + half_s), **more)


def sound(lag_s: float, half_s: float) -> Check:
    return Check("sound", lag_s, (lag_s - half_s, lag_s + half_s), accuses=False)


UNTOLD = Check("engine sound", reason="the clip has no sound")


@pytest.mark.parametrize(
    ("checks", "outcome", "code"),
    [
        ([check(0.01, 0.02)], "no lag", 0),
        ([check(0.01, 0.0225)], "no lag", 0),  # 99 %: up to 39.6 ms
        ([check(-0.01, 0.0232)], "weak proof", 7),  # up to 40.5 ms are left open
        ([check(0.01, 0.035)], "weak proof", 7),
        ([check(0.02, 0.015)], "weak proof", 7),  # zero lies outside
        ([check(0.9, 0.03)], "lag", 6),
        ([check(-0.2, 0.03)], "lag", 6),
        ([check(0.038, 0.037)], "weak proof", 7),  # a lone launch
        ([check(0.03, 0.005)], "weak proof", 7),  # late for sure, by less than a viewer sees
        ([check(0.3, 0.2)], "weak proof", 7),  # late at 95 %, not beyond doubt
        ([UNTOLD], "cannot tell", 5),
        ([UNTOLD, check(0.01, 0.02)], "no lag", 0),
        ([check(0.92, 0.03), sound(0.9, 0.04)], "lag", 6),
        ([check(0.005, 0.082), sound(1.158, 0.039)], "disagreement", 5),
        ([check(0.0, 0.02), sound(0.9, 0.04)], "disagreement", 5),
        # Late beyond doubt and free of lag do not go together, though the intervals overlap.
        ([check(0.041, 0.02), sound(0.012, 0.02)], "disagreement", 5),
        ([check(0.9, 0.03), sound(0.0, 0.02)], "disagreement", 5),
        ([check(0.0, 0.2), sound(0.01, 0.02)], "no lag", 0),
        ([sound(0.9, 0.02)], "weak proof", 7),
    ],
)
def test_judge__outcome(checks, outcome, code):
    verdict = judge("b1", checks)
    assert (verdict.outcome, verdict.exit_code) == (outcome, code), verdict.reason


def test_judge__never_averages():
    verdict = judge("", [check(0.012, 0.025), sound(-0.01, 0.02)])
    assert verdict.residual_lag_s == -0.01
    assert verdict.interval_s == pytest.approx((-0.03, 0.01))


def test_judge__tells_a_disagreement_with_each_figure():
    verdict = judge("", [check(0.005, 0.082), sound(1.158, 0.039)])
    assert verdict.residual_lag_s is None and verdict.interval_s is None
    assert "+5 ms ± 82" in verdict.reason and "+1158 ms ± 39" in verdict.reason


def test_judge__json_holds_each_check():
    found = json.loads(json.dumps(judge("b1", [check(0.01, 0.02), UNTOLD]).to_json()))
    assert found["outcome"] == "no lag"
    assert found["interval_s"] == pytest.approx([-0.01, 0.03])
    assert [c["evidence"] for c in found["checks"]] == ["corners", "engine sound"]
    assert found["checks"][1]["interval_s"] is None
    assert found["checks"][1]["reason"] == "the clip has no sound"
    assert "corners" in found["evidence"] and "engine sound" not in found["evidence"]


@pytest.mark.parametrize("half_s", [0.01, 0.0196, 0.025])
def test_smallest_caught__four_in_five_of_simulated_checks_do_not_pass(rng, half_s):
    """Power by simulation: at the lag promised at least 80 % do not pass, hardly more."""
    lags = smallest_caught_s(half_s) + rng.normal(0, half_s / 1.959964, 4000)
    caught = np.mean([judge("", [check(lag, half_s)]).outcome != "no lag" for lag in lags])
    assert caught == pytest.approx(0.80, abs=0.02)


def test_passes__as_simulated(rng):
    for half_s, late_s in ((0.02, 0.0), (0.02, 0.02), (0.03, 0.02), (0.05, 0.0)):
        lags = late_s + rng.normal(0, half_s / 1.959964, 4000)
        share = np.mean([judge("", [check(lag, half_s)]).outcome == "no lag" for lag in lags])
        assert passes(late_s, half_s) == pytest.approx(share, abs=0.025)


def test_passing__a_lag_that_shows_passes_once_in_two_hundred_at_most():
    for half_s in np.linspace(0.001, 0.06, 60):
        assert passes(LARGEST_S, float(half_s)) <= 0.00501
        assert passing_s(float(half_s)) <= half_s


def test_reason__in_words_with_figures_in_ms():
    """By hand: normal quantiles 1.960, 2.576, 0.842 (NIST/SEMATECH e-Handbook 1.3.6.7.1).

    A half width of 19.6 ms is a sigma of 10 ms; what passes is up to 40 - 25.8 = 14.2 ms, and a lag
    8.4 ms beyond it passes once in five.
    """
    proof = "a proof needs the 99 % interval within ± 40 ms"
    for lag_s, half_s, said in (
        (0.005, 0.0196, "no lag left: +5 ms ± 20; 23 ms would have been caught"),
        (-0.2, 0.03, "the shown speed is early: -200 ms ± 30"),
        (0.2, 0.03, "the shown speed is late: +200 ms ± 30"),
        (0.3, 0.2, f"perhaps a lag, not for sure: +300 ms ± 200; {proof}"),
        (-0.01, 0.035, f"no lag seen, but it is not proved: -10 ms ± 35; {proof}"),
    ):
        assert judge("b1", [check(lag_s, half_s)]).reason == said
    assert smallest_caught_s(0.0196) == pytest.approx(0.0400 - 0.02576 + 0.00842, abs=5e-5)
    assert judge("b1", [check(0.01, 0.035)]).smallest_caught_s is None  # none that wide passes
    assert UNTOLD.half_s == np.inf
    assert UNTOLD.said == "cannot tell: the clip has no sound"
    assert check(0.01, 0.02, reason="few").said == "+10 ms ± 20; few"


@pytest.mark.parametrize(
    ("checks", "outcome"),
    [
        ([check(0.167, 0.1)], "weak proof"),  # 99.9 %: 3.291 / 1.960 = 1.679 halves of 95 %
        ([check(-0.169, 0.1)], "lag"),
        ([check(0.0, 0.019), sound(0.038, 0.02)], "no lag"),  # the intervals meet
        ([check(0.0, 0.019), sound(0.04, 0.02)], "disagreement"),
    ],
)
def test_judge__at_the_edges(checks, outcome):
    assert judge("b1", checks).outcome == outcome
