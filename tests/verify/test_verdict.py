"""The verdict: which outcome belongs to which evidence, and whether its promises hold."""

import json

import numpy as np
import pytest

from overlay.sync.model import Alignment
from overlay.verify import Check, judge
from overlay.verify.verdict import TIGHT_S, check_of, smallest_caught_s


def check(lag_s: float, half_s: float, *, independent: bool = True) -> Check:
    return Check("corners", independent, lag_s, (lag_s - half_s, lag_s + half_s))


UNTOLD = Check("engine sound", True, reason="the clip has no sound")


@pytest.mark.parametrize(
    ("checks", "outcome", "code"),
    [
        ([check(0.01, 0.03)], "no lag", 0),
        ([check(0.9, 0.03)], "lag", 6),
        ([check(-0.2, 0.03)], "lag", 6),
        ([check(0.01, 1.01 * TIGHT_S)], "weak proof", 7),
        ([UNTOLD], "cannot tell", 5),
        ([UNTOLD, check(0.01, 0.03)], "no lag", 0),
        ([check(0.92, 0.03), check(0.9, 0.04)], "lag", 6),
        ([check(0.0, 0.03), check(0.9, 0.04)], "weak proof", 7),
    ],
)
def test_judge__outcome(checks, outcome, code):
    verdict = judge("b1", checks)
    assert (verdict.outcome, verdict.exit_code) == (outcome, code), verdict.reason


def test_judge__two_kinds_of_evidence_that_agree_are_worth_more():
    """Inverse variances add: two of ± 40 ms make ± 28 ms."""
    low, high = judge("", [check(0.01, 0.04), check(0.0, 0.04)]).interval_s or (0, 0)
    assert (low + high) / 2 == pytest.approx(0.005)
    assert (high - low) / 2 == pytest.approx(0.04 / np.sqrt(2), rel=1e-6)


def test_judge__contradiction_widens_until_both_fit():
    """Birge's ratio: 0.9 s apart at 0.03 and 0.04 s, neither may be called exact any more."""
    low, high = judge("", [check(0.0, 0.03), check(0.9, 0.04)]).interval_s or (0, 0)
    assert low < 0
    assert high - low > 0.9


def test_judge__says_whether_the_evidence_is_independent():
    assert judge("", [check(0, 0.03)]).independent
    assert not judge("", [UNTOLD, check(0, 0.03, independent=False)]).independent
    assert not judge("", [UNTOLD]).independent


def test_judge__json_holds_each_check():
    found = json.loads(json.dumps(judge("b1", [check(0.01, 0.03), UNTOLD]).to_json()))
    assert found["outcome"] == "no lag"
    assert found["interval_s"] == pytest.approx([-0.02, 0.04])
    assert [c["evidence"] for c in found["checks"]] == ["corners", "engine sound"]
    assert found["checks"][1]["interval_s"] is None
    assert found["checks"][1]["reason"] == "the clip has no sound"
    assert "corners" in found["evidence"] and "engine sound" not in found["evidence"]


def test_smallest_caught__four_in_five_of_simulated_checks_catch_it(rng):
    """Power of a two-sided test by simulation: at the lag promised 80 % leave out zero."""
    half_s, n = 0.03, 20_000
    found = smallest_caught_s(half_s) + rng.normal(0, half_s / 1.959964, n)
    caught = np.mean([judge("", [check(lag, half_s)]).outcome == "lag" for lag in found[:4000]])
    assert caught == pytest.approx(0.80, abs=0.02)
    none = np.abs(found - smallest_caught_s(half_s)) > half_s
    assert np.mean(none) == pytest.approx(0.05, abs=0.005)


def test_check_of__keeps_the_reason_of_a_refusal():
    found = check_of(Alignment(determined=False, reason="too dark"), evidence="x", independent=True)
    assert found.residual_lag_s is None
    assert found.reason == "too dark"
    assert "too dark" in found.said
