"""Scales: round, large enough, and the same for equal input."""

import math

import pytest

from overlay.errors import UsageError
from overlay.gauges.scales import distance_ticks, gap_scale, rpm_scale, speed_scale, speed_ticks
from overlay.runs.model import SplitGoal
from overlay.units import mps_to_speed, speed_to_mps


@pytest.mark.parametrize("unit", ["mph", "km/h", "m/s", "kn", "ft/s"])
@pytest.mark.parametrize("top_mps", [1.0, 9.7, 18.3, 33.0])
def test_speed_scale__holds_the_top_speed_in_round_units(unit: str, top_mps: float) -> None:
    full = speed_scale(top_mps, unit)
    assert top_mps < full < top_mps * 1.1 + speed_to_mps(10, unit)
    assert mps_to_speed(full, unit) % 5 == pytest.approx(0, abs=1e-9) or mps_to_speed(
        full, unit
    ) % 5 == pytest.approx(5, abs=1e-9)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_speed_scale__refuses_no_speed(bad: float) -> None:
    with pytest.raises(UsageError, match="above zero"):
        speed_scale(bad, "mph")


def test_speed_ticks__stand_at_the_speed_goals() -> None:
    goals = [
        SplitGoal("speed", speed_to_mps(30, "mph"), "30 mph"),
        SplitGoal("distance", 60.0, "60 m"),
        SplitGoal("speed", speed_to_mps(20, "mph"), "20 mph"),
        SplitGoal("speed", speed_to_mps(60, "mph"), "60 mph"),
    ]
    full = speed_to_mps(45, "mph")
    ticks = speed_ticks(goals, "mph", full)
    assert [text for _, text in ticks] == ["0", "20", "30", "45"]
    assert [at for at, _ in ticks] == pytest.approx(
        [0, *(g.value for g in (goals[2], goals[0])), full]
    )


def test_distance_ticks__keep_the_users_labels() -> None:
    goals = [SplitGoal("distance", 18.288, "60 ft"), SplitGoal("speed", 8.9, "20 mph")]
    assert distance_ticks(goals, 66.0) == ((18.288, "60 ft"),)


def test_other_scales__hold_what_they_are_given() -> None:
    assert rpm_scale(3600.0) == 4000.0
    assert rpm_scale(3600.0, 5000.0) == 5500.0
    for gap in (0.1, -0.3, 0.9, 1.7):
        assert gap_scale(gap) >= abs(gap)
