"""Comb, ladder, gap bar, strip and acceleration bar."""

import math

import numpy as np
import pytest

from overlay.errors import UsageError
from overlay.gauges.accel import AccelBar, AccelValues
from overlay.gauges.canvas import Rgba
from overlay.gauges.comb import Comb, CombValues
from overlay.gauges.gapbar import GapBar, GapValues
from overlay.gauges.ladder import Ladder, LadderValues, RungState, SpoiledPart
from overlay.gauges.palette import CUT, SPIN, Color, build_hue
from overlay.gauges.strip import Strip, StripValues

A, B = build_hue(0), build_hue(1)
NAN = math.nan


def area(frame: Rgba, color: Color, columns: slice = slice(None)) -> int:
    """Pixels of exactly this colour."""
    return int(np.all(frame[:, columns, :3] == color, axis=2).sum())


@pytest.fixture(scope="module")
def comb() -> Comb:
    return Comb(620, 168, full_scale_rpm=6000, limiter_rpm=5000, caution_rpm=3600, hue=A)


def test_comb__more_revs_fill_more(comb: Comb) -> None:
    areas = [area(comb.draw(CombValues(float(rpm))), A) for rpm in range(0, 5001, 50)]
    assert areas[0] == 0
    assert np.all(np.diff(areas) > 0)


def test_comb__limiter_teeth_take_another_colour(comb: Comb) -> None:
    at_limit = comb.draw(CombValues(4999.0)).copy()
    beyond = comb.draw(CombValues(5900.0)).copy()
    assert area(beyond, CUT) > area(at_limit, CUT) + 500


def test_comb__slip_colours_the_share_of_revs_that_the_ground_does_not_need(comb: Comb) -> None:
    slip = 0.25
    frame = comb.draw(CombValues(4500.0, is_spinning=True, slip=slip)).copy()
    rows = slice(round(0.45 * 168), round(0.72 * 168))
    is_split = np.all(frame[rows, :, :3] == SPIN, axis=2).any(axis=0)
    split = np.flatnonzero(is_split & (np.arange(620) < 480))
    teeth = np.flatnonzero(np.all(frame[rows, :, :3] == A, axis=2).any(axis=0))
    per_px = 6000 / 576
    # The free speed is 4500/1.25 = 3600 rpm: 900 rpm of teeth are split, to within one tooth.
    assert (split[-1] - split[0]) * per_px == pytest.approx(900, abs=130)
    assert teeth[-1] < split[0]


def test_comb__a_cut_lights_the_tooth_just_spent(comb: Comb) -> None:
    quiet = comb.draw(CombValues(5050.0)).copy()
    flash = comb.draw(CombValues(5050.0, is_cutting=True)).copy()
    rows = slice(round(0.45 * 168), round(0.72 * 168))
    white = (
        np.all(flash[rows, :, :3] > 230, axis=2).sum()
        - np.all(quiet[rows, :, :3] > 230, axis=2).sum()
    )
    assert white > 100


def test_comb__revs_from_sound_are_marked() -> None:
    logged = Comb(620, 168, full_scale_rpm=6000).draw(CombValues(3000)).copy()
    heard = Comb(620, 168, full_scale_rpm=6000, from_sound=True).draw(CombValues(3000)).copy()
    assert not np.array_equal(logged, heard)


def test_comb__no_data_shows_no_teeth(comb: Comb) -> None:
    assert area(comb.draw(CombValues(NAN)), A) == 0


@pytest.mark.parametrize("width", [200, 300, 420, 620])
def test_comb__tags_never_cover_the_digits(width: int) -> None:
    comb = Comb(width, 150, full_scale_rpm=6000, limiter_rpm=5000, from_sound=True)
    plain = comb.draw(CombValues(5800.0)).copy()
    tagged = comb.draw(CombValues(5800.0, is_cutting=True, is_spinning=True, slip=0.0))
    top = slice(0, round(75 - 0.07 * min(150, width / 2.7)))
    ink = np.all(plain[top, :, :3] > 150, axis=2)
    assert ink.sum() > 100
    assert np.all(tagged[top, :, :3][ink] > 150)


def rungs(*states: RungState) -> LadderValues:
    return LadderValues(states)


@pytest.fixture(scope="module")
def ladder() -> Ladder:
    return Ladder(520, 200, labels=("20 mph", "30 mph", "60 m"), hue=A)


WAITING = RungState("waiting")


def test_ladder__a_rung_fills_in_proportion(ladder: Ladder) -> None:
    empty = area(ladder.draw(rungs(WAITING, WAITING, WAITING)), A)
    full = area(ladder.draw(rungs(RungState("passed", time_s=3.0), WAITING, WAITING)), A)
    for progress in (0.25, 0.5, 0.75):
        state = RungState("filling", progress)
        got = area(ladder.draw(rungs(state, WAITING, WAITING)), A)
        assert got - empty == pytest.approx(progress * (full - empty), rel=0.03)


def test_ladder__spoiled_parts_keep_their_colours(ladder: Ladder) -> None:
    parts = (SpoiledPart("wheelspin", 0.1, 0.3), SpoiledPart("limiter", 0.6, 0.7))
    frame = ladder.draw(rungs(RungState("passed", time_s=3.0, spoiled=parts), WAITING, WAITING))
    assert area(frame, SPIN) > area(frame, CUT) > 0
    ahead = ladder.draw(rungs(RungState("filling", 0.05, spoiled=parts), WAITING, WAITING))
    assert not np.all(ahead[40:60, 200:, :3] == SPIN, axis=2).any()


def test_ladder__the_time_kept_does_not_depend_on_other_rungs(ladder: Ladder) -> None:
    passed = RungState("passed", time_s=3.05, sigma_s=0.02)
    first = ladder.draw(rungs(passed, WAITING, WAITING)).copy()
    later = ladder.draw(rungs(passed, RungState("filling", 0.8), RungState("missed"))).copy()
    assert np.array_equal(first[:60], later[:60])


def test_ladder__a_missed_rung_says_why(ladder: Ladder) -> None:
    one = ladder.draw(rungs(WAITING, RungState("missed", reason="gap in log"), WAITING)).copy()
    other = ladder.draw(rungs(WAITING, RungState("missed", reason="not reached"), WAITING)).copy()
    assert not np.array_equal(one, other)


def test_ladder__refuses_another_number_of_rungs(ladder: Ladder) -> None:
    with pytest.raises(UsageError, match="1 rung states for 3 rungs"):
        ladder.draw(rungs(WAITING))
    with pytest.raises(UsageError, match="do not fit"):
        Ladder(300, 60, labels=[f"{v} mph" for v in range(12)])
    with pytest.raises(UsageError, match="one goal"):
        Ladder(300, 60, labels=[])


@pytest.fixture(scope="module")
def gap() -> GapBar:
    return GapBar(900, 140, names=("stock", "drum"), full_scale_s=1.0)


BAR = slice(72, 90)  # rows of the bar's core in a gap bar 140 px high


def test_gap_bar__grows_toward_the_build_ahead(gap: GapBar) -> None:
    left, right = slice(40, 450), slice(452, 860)
    first = gap.draw(GapValues(0.4, 3.0, 0.01))[BAR].copy()
    assert area(first, A, left) > 1000
    assert area(first, B, right) == 0
    second = gap.draw(GapValues(-0.4, -3.0, 0.01))[BAR].copy()
    assert area(second, A, left) == 0
    assert area(second, B, right) == pytest.approx(area(first, A, left), rel=0.03)


def test_gap_bar__length_is_in_proportion(gap: GapBar) -> None:
    areas = [area(gap.draw(GapValues(0.1 * k, 1.0, 0.0))[BAR], A) for k in range(1, 10)]
    steps = np.diff(areas)
    assert steps == pytest.approx(np.mean(steps), rel=0.03)
    assert areas[0] == pytest.approx(steps[0], rel=0.08)  # less half of the post in the middle


def test_gap_bar__level_within_the_uncertainty_takes_no_side(gap: GapBar) -> None:
    frame = gap.draw(GapValues(0.05, 0.4, 0.03))[BAR]
    assert area(frame, A) == area(frame, B) == 0
    told = gap.draw(GapValues(0.07, 0.4, 0.03))[BAR]  # 1.96 * 0.03 = 0.059
    assert area(told, A) > 0


def test_gap_bar__no_data_shows_no_bar(gap: GapBar) -> None:
    frame = gap.draw(GapValues(NAN))[BAR]
    assert area(frame, A) == area(frame, B) == 0


def test_strip__pegs_move_in_proportion() -> None:
    strip = Strip(900, 140, length_m=60.0, names=("a", "b"))
    places = []
    for distance in (0.0, 15.0, 30.0, 45.0, 60.0):
        frame = strip.draw(StripValues((distance, 0.0)))
        columns = np.flatnonzero(np.all(frame[:, :, :3] == A, axis=2).any(axis=0))
        places.append((columns[0] + columns[-1]) / 2)
    assert np.diff(places) == pytest.approx((strip.x1 - strip.x0) / 4, abs=1.1)


def test_strip__a_distance_not_known_has_no_peg() -> None:
    strip = Strip(900, 140, length_m=60.0, names=("a", "b"))
    frame = strip.draw(StripValues((NAN, 20.0)))
    assert area(frame, A) == 0
    assert area(frame, B) > 50
    with pytest.raises(UsageError, match="1 distances for 2 builds"):
        strip.draw(StripValues((1.0,)))


def test_accel_bar__forward_and_braking_go_opposite_ways() -> None:
    bar = AccelBar(440, 120, full_scale_mps2=5.0, hue=A)
    forward = np.flatnonzero(np.all(bar.draw(AccelValues(1.0))[:, :, :3] == A, axis=2).any(axis=0))
    braking = np.flatnonzero(np.all(bar.draw(AccelValues(-1.0))[:, :, :3] == A, axis=2).any(axis=0))
    assert braking[-1] < forward[0]
    assert len(braking) == pytest.approx(len(forward), abs=2)
    assert area(bar.draw(AccelValues(NAN)), A) == 0


def test_accel_bar__zero_has_no_minus() -> None:
    bar = AccelBar(440, 120, full_scale_mps2=5.0)
    assert np.array_equal(bar.draw(AccelValues(0.0)).copy(), bar.draw(AccelValues(-0.0)).copy())


def test_ladder__two_marks_on_one_rung_both_have_their_tag() -> None:
    ladder = Ladder(540, 290, labels=("10 mph", "20 mph", "30 mph", "60 m"), hue=A)
    parts = (SpoiledPart("wheelspin", 0.1, 0.2), SpoiledPart("limiter", 0.6, 0.7))
    state = RungState("passed", time_s=6.61, sigma_s=0.03, spoiled=parts)
    frame = ladder.draw(rungs(state, WAITING, WAITING, WAITING))
    text_rows = frame[: ladder._rows(0).start]
    assert area(text_rows, SPIN) > 200
    assert area(text_rows, CUT) > 200


def test_ladder__nothing_is_marked_before_it_has_happened() -> None:
    ladder = Ladder(540, 290, labels=("10 mph",), hue=A)
    state = RungState("filling", 0.3, spoiled=(SpoiledPart("limiter", 0.6, 0.7),))
    assert area(ladder.draw(rungs(state)), CUT) == 0
