"""One run's standing against what follows by hand from its motion and its marks."""

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from overlay.compare.standing import LIFTED, DayRun, Standing, standing_of
from overlay.runs import parse_goal, splits
from overlay.runs.model import Kinematics, Launch, Mark
from overlay.series import Series
from overlay.sheet import DaySheet
from tests.runs.scene import constant_accel

LAUNCH = Launch(0.0, 0.0, None)
SPIN = Mark("wheelspin", 0.5, 0.9, "The wheel is 2.0 m/s ahead.")
CUT = Mark("limiter cut", 3.0, 6.0, "The revs bounce.", 4000.0)


def held_at(top_mps: float) -> Kinematics:
    """2 m/s² from rest up to a speed that is then held to the end."""
    k = constant_accel(2.0)
    rising = k.speed_mps < top_mps
    return replace(
        k,
        speed_mps=np.minimum(k.speed_mps, top_mps),
        accel_mps2=np.where(rising, k.accel_mps2, 0.0),
        speed_sigma_mps=np.full(len(k.t_s), 0.05),
    )


def standing(
    k: Kinematics, marks: tuple[Mark, ...] = (), cuts: tuple[Mark, ...] = (), **said: Any
) -> Standing:
    conditions = {"headwind_mps": 0.5}
    run = {"name": "a1", "build": "A", "clip": "a1.mp4", **said}
    sheet = DaySheet.model_validate_json(
        json.dumps(
            {
                "report": {"speed_unit": "mph"},
                "conditions": conditions,
                "builds": [{"name": "A"}],
                "runs": [run],
            }
        )
    )
    goals = [parse_goal("4 m"), parse_goal("2 to 4 m/s")]
    one = DayRun("a1", "A", k, LAUNCH, splits(k, LAUNCH, goals), (*marks, *cuts))
    return standing_of(sheet, sheet.runs[0], one, cuts, 3)


def test_standing__times_and_top_speed_by_hand() -> None:
    """2 s to 4 m and 1 s from 2 to 4 m/s at 2 m/s²; the speed that is held is the top speed."""
    found = standing(held_at(6.0))
    values = [split.value for split in found.splits]
    assert values == pytest.approx([2.0, 1.0, 6.0], abs=2e-3)
    assert [split.used for split in found.splits] == [True] * 3
    assert found.splits[-1].sigma == 0.05
    assert (found.place, found.way, found.notes, found.is_whole) == (3, 1, (), True)
    assert [split.place for split in found.splits] == [3, 3, 3]


def test_standing__still_accelerating_is_no_top_speed_unless_its_limiter_holds_it() -> None:
    rising = constant_accel(2.0)
    open_ = standing(rising)
    assert (open_.splits[-1].used, open_.splits[-1].reason) == (False, LIFTED)
    assert open_.notes == (f"{LIFTED}, so its highest speed is no top speed",)
    assert open_.is_whole and not open_.is_left_out
    assert standing(rising, cuts=(CUT,)).splits[-1].used
    late = replace(CUT, start_s=7.999)  # after the fastest instant it has held nothing
    assert not standing(rising, cuts=(late,)).splits[-1].used


def test_standing__nothing_known_has_no_top_speed() -> None:
    k = held_at(6.0)
    found = standing(replace(k, known=np.zeros(len(k.t_s), dtype=bool)))
    assert (found.splits[-1].value, found.splits[-1].reason) == (None, "no speed is known")


def test_standing__a_mark_spoils_what_comes_after_it_and_the_sheet_overrules() -> None:
    k = held_at(6.0)
    spun = standing(k, marks=(SPIN,))
    assert [split.used for split in spun.splits] == [False] * 3
    assert spun.is_left_out
    # 2 m/s are 4.5 mph (0.44704 m/s each, NIST SP 811, B.8).
    first = "wheelspin 0.5 s after launch: The wheel is 4.5 mph ahead"
    assert spun.notes == (first, "left out of the statistics")
    late = standing(k, marks=(replace(SPIN, start_s=2.5, end_s=2.8),))
    assert [split.used for split in late.splits] == [True, True, False]
    assert late.notes[-1] == "left out of top speed"
    kept = standing(k, marks=(SPIN,), counted=True, because="tyre was fine")
    assert [split.used for split in kept.splits] == [True] * 3
    assert kept.notes[-1] == "counted as the sheet says (tyre was fine)"
    assert kept.splits[0].reason == "tyre was fine"
    plain = standing(k, marks=(SPIN,), counted=True)
    assert plain.splits[0].reason == "as the sheet says (wheelspin)"
    assert standing(k, counted=False).notes == ("left out as the sheet says",)


@pytest.mark.parametrize(
    ("here", "said"),
    [
        # 1.5 m/s of headwind are 3.36 mph, the day's 0.5 are 1.12.
        ({"headwind_mps": 1.5}, ("headwind 3.36 mph against 1.12 mph: kept",)),
        ({"headwind_mps": 1.4}, ()),
        ({"headwind_mps": -0.5}, ("headwind -1.12 mph against 1.12 mph: kept",)),
        ({"slope_percent": -0.3}, ("slope -0.3 % against 0 %: kept",)),
        ({"slope_percent": 0.29}, ()),
    ],
)
def test_standing__other_wind_or_slope_is_noted(here: dict[str, float], said: tuple) -> None:
    assert standing(held_at(6.0), conditions=here).notes == said


def test_standing__another_weight_is_noted() -> None:
    notes = standing(held_at(6.0), mass_kg=181.5).notes
    assert notes == ("181.5 kg with driver and fuel: kept",)


def test_day_run__highest_revs_between_launch_and_the_fastest_instant() -> None:
    k = held_at(6.0)
    t_s = np.arange(-1.0, 8.0, 0.1)
    rpm = Series("engine_rpm", t_s, np.where(t_s < -0.5, 5000.0, 2000.0 + 100 * t_s))
    one = DayRun("a1", "A", k, LAUNCH, (), (), rpm)
    peak_s = one.top.at_s if one.top is not None else np.nan
    assert one.highest_rpm == pytest.approx(2000 + 100 * (peak_s + 0.5), abs=10.1)
    assert replace(one, rpm=None).highest_rpm is None
