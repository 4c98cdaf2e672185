"""What a viewer reads at an instant, against runs in closed form: value, sign, unit, time base.

Each figure is checked where twice, the other sign of, or a tenth of a second off it is far away.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest

from overlay.gauges.accel import AccelBar, accel_values
from overlay.gauges.comb import Comb, CombValues, comb_values
from overlay.gauges.gapbar import GapBar, GapValues, gap_values, largest_gap_s
from overlay.gauges.ladder import Ladder, LadderValues, ladder_values
from overlay.gauges.palette import SPIN
from overlay.gauges.readback import read_ribbon
from overlay.gauges.ribbon import Ribbon, RibbonValues, ribbon_values
from overlay.gauges.strip import strip_values
from overlay.gauges.type import Tiles
from overlay.runs.model import Mark
from overlay.series import Series
from tests.gauges.closed_form import (
    ACCEL_SIGMA,
    LAUNCH_S,
    RPM_PER_MPS,
    SPEED_SIGMA,
    TIMING_SIGMA_S,
    approach,
    pull_and_brake,
    steady_pull,
)

A = 3.0  # m/s²
NAN = math.nan
# At 3 m/s² a tenth of a second is 0.3 m/s: sixty times this.
TIGHT = 0.005


# -- values --------------------------------------------------------------------------------------


@pytest.mark.parametrize("t_s", [0.5, 2.0, 2.7, 4.123, 9.6])
def test_ribbon__uniform_acceleration(t_s: float) -> None:
    now = ribbon_values(steady_pull(A), t_s)
    assert now.speed_mps == pytest.approx(A * max(0.0, t_s - LAUNCH_S), abs=TIGHT)
    if t_s > LAUNCH_S:  # the share of the timing is a σ_t (JCGM 100:2008, 5.1.2)
        assert now.sigma_mps == pytest.approx(math.hypot(SPEED_SIGMA, A * TIMING_SIGMA_S))
    elif t_s < LAUNCH_S:
        assert now.sigma_mps == pytest.approx(SPEED_SIGMA)


@pytest.mark.parametrize("t_s", [2.5, 3.0, 5.0, 11.0])
def test_ribbon__exponential_approach(t_s: float) -> None:
    now = ribbon_values(approach(18.0, 3.0), t_s)
    assert now.speed_mps == pytest.approx(18 * (1 - math.exp(-(t_s - 2) / 3)), abs=TIGHT)


def test_ribbon__nothing_outside_the_record_and_inside_a_gap() -> None:
    course = steady_pull(A, gap_s=(4.0, 5.0))
    assert math.isnan(ribbon_values(course, -0.1).speed_mps)
    assert math.isnan(ribbon_values(course, 12.5).speed_mps)
    assert math.isnan(ribbon_values(course, 4.5).speed_mps)
    assert ribbon_values(course, 5.5).speed_mps == pytest.approx(A * 3.5, abs=TIGHT)


@pytest.mark.parametrize(("t_s", "accel"), [(1.0, 0.0), (3.0, 3.0), (6.0, -5.0), (9.5, 0.0)])
def test_accel__forward_positive_braking_negative(t_s: float, accel: float) -> None:
    now = accel_values(pull_and_brake(3.0, 3.0, 5.0), t_s)
    assert now.accel_mps2 == pytest.approx(accel)
    assert now.sigma_mps2 == pytest.approx(ACCEL_SIGMA)


GOALS = ("5 m/s", "20 mph", "36 km/h", "20 m", "60 ft")
TIMES_S = (
    5 / A,
    20 * 1609.344 / 3600 / A,  # the mile: 1609.344 m (yard and pound agreement, 1959)
    10 / A,
    math.sqrt(2 * 20 / A),
    math.sqrt(2 * 60 * 0.3048 / A),
)


def test_ladder__times_from_launch_in_every_unit() -> None:
    course = steady_pull(A, goals=GOALS)
    rungs = ladder_values(course, 11.0).rungs
    assert [rung.status for rung in rungs] == ["passed"] * len(GOALS)
    for rung, time_s in zip(rungs, TIMES_S, strict=True):
        assert rung.time_s == pytest.approx(time_s, abs=0.002)
        assert rung.sigma_s is not None and 0.03 <= rung.sigma_s < 0.06


@pytest.mark.parametrize("index", range(len(GOALS)))
def test_ladder__a_rung_passes_when_its_goal_is_reached(index: int) -> None:
    course, at_s = steady_pull(A, goals=GOALS), LAUNCH_S + TIMES_S[index]
    before = ladder_values(course, at_s - 0.02).rungs[index]
    after = ladder_values(course, at_s + 0.02).rungs[index]
    assert (before.status, before.time_s) == ("filling", None)
    assert after.status == "passed" and after.time_s == pytest.approx(TIMES_S[index], abs=0.002)


@pytest.mark.parametrize("since_s", [0.4, 0.9, 1.5])
def test_ladder__fills_in_the_goals_own_quantity(since_s: float) -> None:
    rungs = ladder_values(steady_pull(A, goals=("5 m/s", "20 m")), LAUNCH_S + since_s).rungs
    assert rungs[0].progress == pytest.approx(A * since_s / 5, abs=0.002)
    assert rungs[1].progress == pytest.approx(A * since_s**2 / 2 / 20, abs=0.002)


def test_ladder__waits_before_the_launch_and_says_what_was_missed() -> None:
    course = pull_and_brake(3.0, 3.0, 5.0, goals=("5 m/s", "12 m/s"))
    assert [rung.status for rung in ladder_values(course, 1.9).rungs] == ["waiting", "waiting"]
    missed = ladder_values(course, 9.0).rungs[1]
    assert missed.status == "missed" and missed.reason == "not reached"
    assert missed.progress == pytest.approx(9.0 / 12.0, abs=0.002)


def test_ladder__spoiled_parts_are_shares_of_the_rungs_time() -> None:
    spun = Mark("wheelspin", LAUNCH_S + 0.5, LAUNCH_S + 1.0, "It spins.")
    early = Mark("limiter cut", LAUNCH_S - 0.5, LAUNCH_S + 0.25, "It cuts.")
    lift = Mark("lift", LAUNCH_S + 0.5, LAUNCH_S + 1.0, "He lifts.")
    course = steady_pull(2.5, goals=("5 m/s",), marks=(spun, early, lift))  # in 2 s
    parts = ladder_values(course, 8.0).rungs[0].spoiled
    assert [(part.kind, part.start, part.end) for part in parts] == [
        ("wheelspin", pytest.approx(0.25, abs=1e-3), pytest.approx(0.5, abs=1e-3)),
        ("limiter", 0.0, pytest.approx(0.125, abs=1e-3)),
    ]
    assert ladder_values(course, 3.0).rungs[0].spoiled == ()


def revs(slip: float = 0.0, late_s: float = 0.0) -> Series:
    """Engine speed of a steady pull with the wheel ahead of the ground, and its clock late."""
    t_s = np.arange(0, 12, 0.05)
    rpm = RPM_PER_MPS * (1 + slip) * A * np.maximum(0.0, t_s - LAUNCH_S)
    return Series("engine_rpm", t_s + late_s, rpm)


@pytest.mark.parametrize("t_s", [3.0, 4.321, 9.0])
def test_comb__revs_of_the_gearing(t_s: float) -> None:
    now = comb_values(steady_pull(A, rpm=revs()), t_s)
    assert now.engine_rpm == pytest.approx(RPM_PER_MPS * A * (t_s - LAUNCH_S), abs=1.0)
    assert (now.is_cutting, now.is_spinning) == (False, False)
    assert math.isnan(now.slip)


def test_comb__revs_that_come_later_are_shown_later() -> None:
    now = comb_values(steady_pull(A, rpm=revs(late_s=0.4)), 5.0)
    assert now.engine_rpm == pytest.approx(RPM_PER_MPS * A * 2.6, abs=1.0)


@pytest.mark.parametrize("slip", [0.25, 0.6])
def test_comb__slip_only_while_it_spins(slip: float) -> None:
    spin = Mark("wheelspin", 4.0, 5.0, "It spins.")
    course = steady_pull(A, rpm=revs(slip), marks=(spin,))
    now = comb_values(course, 4.5)
    assert now.is_spinning and now.slip == pytest.approx(slip, abs=0.003)
    for t_s in (3.9, 5.1):
        outside = comb_values(course, t_s)
        assert not outside.is_spinning and math.isnan(outside.slip)


def test_comb__cuts_while_the_mark_lasts_and_nothing_outside_the_log() -> None:
    cut = Mark("limiter cut", 6.0, 6.2, "It cuts.")
    course = steady_pull(A, rpm=revs().between(1.0, 8.0), marks=(cut,))
    assert [comb_values(course, t).is_cutting for t in (5.95, 6.1, 6.25)] == [False, True, False]
    assert math.isnan(comb_values(course, 8.5).engine_rpm)
    assert math.isnan(comb_values(steady_pull(A), 5.0).engine_rpm)


@pytest.mark.parametrize("since_s", [1.0, 2.5, 4.0])
def test_gap__of_two_steady_pulls(since_s: float) -> None:
    """At the same time (a - b) t² / 2; at the same distance b t² / 2 apart by t (1 - √(b/a))."""
    quick, slow = steady_pull(4.0, launch_s=2.0), steady_pull(3.0, launch_s=3.1)
    gap_m = (4.0 - 3.0) * since_s**2 / 2
    gap_s = since_s * (1 - math.sqrt(3.0 / 4.0))
    ahead, behind = gap_values(quick, slow, since_s), gap_values(slow, quick, since_s)
    assert ahead.gap_m == pytest.approx(gap_m, abs=0.02)
    assert ahead.gap_s == pytest.approx(gap_s, abs=0.004)
    assert (behind.gap_m, behind.gap_s) == pytest.approx((-gap_m, -gap_s), abs=0.02)
    assert 0.03 * math.sqrt(2) < ahead.sigma_s < 0.06  # two launches of 0.03 s each


def test_gap__nothing_before_the_launch_and_still_when_one_brakes() -> None:
    quick, slow = pull_and_brake(4.0, 2.0, 5.0), pull_and_brake(3.0, 3.0, 5.0)
    assert gap_values(quick, slow, -0.5) == GapValues(0.0, 0.0, 0.0)
    at_end, later = gap_values(quick, slow, 2.2), gap_values(quick, slow, 3.5)
    assert later.gap_s == pytest.approx(at_end.gap_s, abs=0.05)
    assert largest_gap_s(quick, slow) == pytest.approx(2 * (1 - math.sqrt(0.75)), abs=0.05)


def test_strip__distance_from_each_runs_own_launch() -> None:
    runs = (steady_pull(4.0, launch_s=2.0), steady_pull(3.0, launch_s=3.0))
    together = strip_values(runs, 2.0, since_launch=True).distances_m
    assert together == pytest.approx((8.0, 6.0), abs=0.02)
    on_footage = strip_values(runs, 5.0, since_launch=False).distances_m
    assert on_footage == pytest.approx((18.0, 6.0), abs=0.02)
    before = strip_values(runs, -1.0, since_launch=True).distances_m
    assert before == (0.0, 0.0)


# -- what stands on the gauge --------------------------------------------------------------------


@contextmanager
def written(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """The texts that gauges write."""
    texts: list[str] = []
    write = Tiles.write

    def noted(self: Tiles, frame: object, text: str, *place: int) -> int:
        texts.append(text.strip())
        return write(self, frame, text, *place)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(Tiles, "write", noted)
        yield texts


@pytest.mark.parametrize(
    ("unit", "digits", "sigma"),
    [("mph", "22.4", "±0.4"), ("km/h", "36.0", "±0.7"), ("m/s", "10.0", "±0.2")],
)
def test_ribbon__writes_the_speed_in_its_unit(
    monkeypatch: pytest.MonkeyPatch, unit: str, digits: str, sigma: str
) -> None:
    """10 m/s is 22.37 mph and 36 km/h; ± is 1.96 standard uncertainties."""
    gauge = Ribbon(640, 120, full_scale_mps=20.0, unit=unit)  # type: ignore[arg-type]
    with written(monkeypatch) as texts:
        picture = gauge.draw(RibbonValues(10.0, 0.1))
    assert texts[:2] == [digits, unit] and texts[2].replace(" ", "") == sigma
    luma = 16 + 219 / 255 * (picture[..., :3] @ np.array([0.2126, 0.7152, 0.0722]))
    shown = read_ribbon(gauge.band.cut(luma, 0, 0), gauge.band)
    assert shown * gauge.band.full_scale_mps == pytest.approx(10.0, abs=0.05)


@pytest.mark.parametrize(("accel", "digits"), [(4.90333, "0.50"), (-2.45166, "−0.25")])
def test_accel__writes_g_with_its_sign(
    monkeypatch: pytest.MonkeyPatch, accel: float, digits: str
) -> None:
    """Standard gravity is 9.80665 m/s² (3rd CGPM, 1901)."""
    from overlay.gauges.accel import AccelValues

    with written(monkeypatch) as texts:
        AccelBar(260, 120, full_scale_mps2=10.0).draw(AccelValues(accel, 0.1))
    assert texts[0] == digits
    assert "±.02" in texts[1:]  # 1.96 · 0.1 / 9.80665


def test_ladder__writes_times_and_their_plus_minus(monkeypatch: pytest.MonkeyPatch) -> None:
    values = ladder_values(steady_pull(A, goals=("5 m/s", "60 m")), 6.0)
    gauge = Ladder(460, 160, labels=("5 m/s", "60 m"))
    with written(monkeypatch) as texts:
        gauge.draw(values)
    sigma = values.rungs[0].sigma_s
    assert sigma is not None
    assert texts[0] == "5 m/s" and "1.67" in texts and "60 m" in texts
    assert f"±{1.96 * sigma:.2f}".replace("±0", "±") in texts
    assert not any("6.32" in text for text in texts)  # √(2 · 60 / 3) s is still to come


def test_comb__writes_the_revs_and_colours_the_slip(monkeypatch: pytest.MonkeyPatch) -> None:
    """Teeth in the colour of wheelspin from the revs of the ground's speed to those of the wheel:
    of 4000 rpm at a slip of 0.6 that is from 2500 on.
    """
    gauge = Comb(480, 140, full_scale_rpm=6000, limiter_rpm=5000)
    plain = gauge.draw(CombValues(4000.0)).copy()
    with written(monkeypatch) as texts:
        spun = gauge.draw(CombValues(4000.0, is_spinning=True, slip=0.6))
    assert texts[0] == "4000"
    here = (np.abs(spun[..., :3].astype(int) - np.array(SPIN)).max(axis=2) < 12)[70:90]
    columns = np.flatnonzero(here.any(axis=0))
    filled = np.flatnonzero(
        (plain[75, :, :3] != gauge.draw(CombValues(0.0))[75, :, :3]).any(axis=1)
    )
    per_rpm = (filled[-1] - filled[0]) / 4000
    assert columns[-1] == pytest.approx(filled[-1], abs=0.5 * 250 * per_rpm + 3)
    assert columns[0] - filled[0] == pytest.approx(2500 * per_rpm, abs=250 * per_rpm + 3)


@pytest.mark.parametrize("sign", [1, -1])
def test_gap__grows_toward_the_one_ahead(monkeypatch: pytest.MonkeyPatch, sign: int) -> None:
    gauge = GapBar(800, 150, names=("stock", "drum"), full_scale_s=1.0)
    level = gauge.draw(GapValues(0.0, 0.0, 0.01)).astype(int)
    level = level.copy()
    with written(monkeypatch) as texts:
        ahead = gauge.draw(GapValues(sign * 0.8, sign * 4.0, 0.02)).astype(int)
    rows = slice(round(0.52 * 150), round(0.66 * 150))
    changed = np.abs(ahead - level)[rows].sum(axis=(0, 2)) > 0
    middle = float(np.flatnonzero(changed).mean())
    assert (middle < 400) == (sign > 0)  # the first one's name stands on the left
    assert texts[0] == "0.80"
    assert any("4.0" in text for text in texts)


def test_values__not_known_is_never_written_as_a_number(monkeypatch: pytest.MonkeyPatch) -> None:
    with written(monkeypatch) as texts:
        Ribbon(640, 120, full_scale_mps=20.0).draw(RibbonValues(NAN, NAN))
        Comb(480, 140, full_scale_rpm=6000).draw(CombValues(NAN))
        Ladder(460, 160, labels=("60 m",)).draw(
            LadderValues(ladder_values(steady_pull(A, goals=("60 m",)), 1.0).rungs)
        )
    assert not any(character.isdigit() for text in texts for character in text.replace("60 m", ""))
