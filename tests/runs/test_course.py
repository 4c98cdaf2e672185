"""What a run is at one instant, against runs in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from overlay.runs.course import STOPPED_MPS, Course, gap_at
from overlay.runs.model import Launch, Mark, Split, SplitGoal
from overlay.series import Series

from .scene import constant_accel

LAUNCH = Launch(0.0, 0.02, None)


def even(accel_mps2=2.0, *, at_s=0.0, sigma_s=0.02, **options):
    """v = a (t - t0): 2.0 m/s^2 gives 8 m/s and 16 m at 4 s."""
    k = constant_accel(accel_mps2)
    k = replace(k, t_s=k.t_s + at_s)
    return Course(k, launch=Launch(at_s, sigma_s, None), **options)


def goal(kind, value):
    return SplitGoal(kind, value, f"{value:g}")


def passed(kind, value, at_s):
    return Split(goal(kind, value), at_s, at_s, 1.0, 0.01)


def missed(kind, value, reason="never reached"):
    return Split(goal(kind, value), None, None, None, None, reason)


def test_at__between_the_grid_points():
    k = constant_accel(2.0)
    ramp = np.linspace(0.1, 0.3, len(k.t_s))
    course = Course(replace(k, speed_sigma_mps=ramp, timing_sigma_s=0.05), launch=LAUNCH)
    now = course.at(3.2345)
    assert now.speed_mps == pytest.approx(6.469)
    assert now.distance_m == pytest.approx(3.2345**2, abs=1e-4)
    assert now.accel_mps2 == 2.0
    own = np.interp(3.2345, k.t_s, ramp)
    assert now.sigma_mps == pytest.approx(np.hypot(own, 2.0 * 0.05), rel=1e-4)


def test_at__ends_of_the_record():
    course = even()
    first, last = course.kinematics.t_s[[0, -1]]
    assert course.at(first).speed_mps == 0.0
    assert course.at(last).speed_mps == pytest.approx(2 * last)
    for t in (first - 1e-6, last + 1e-6):
        assert all(np.isnan(v) for v in vars(course.at(t)).values())


def test_at__nothing_in_a_gap_and_never_below_zero():
    k = constant_accel(2.0)
    known = (k.t_s < 3.0) | (k.t_s > 4.0)
    course = Course(replace(k, known=known), launch=LAUNCH)
    assert all(np.isnan(v) for v in vars(course.at(3.5)).values())
    assert course.at(2.985).speed_mps == pytest.approx(5.97)
    below = Course(replace(k, speed_mps=k.speed_mps - 1), launch=LAUNCH)
    assert below.at(0.2).speed_mps == 0.0
    assert below.at(2.0).speed_mps == pytest.approx(3.0)


def test_from_launch__counts_from_the_launch_and_not_the_record():
    k = constant_accel(2.0)
    course = Course(replace(k, distance_m=k.distance_m + 50), launch=Launch(1.0, 0.02, None))
    assert course.from_launch_m(0.5) == 0.0
    assert course.from_launch_m(1.0) == 0.0
    assert course.from_launch_m(4.0) == pytest.approx(16 - 1)
    assert np.isnan(Course(k).from_launch_m(4.0))


def test_reached__is_the_root_of_twice_the_distance_over_the_acceleration():
    course = even(2.0, at_s=10.0)
    for distance in (0.5, 16.0, 30.25):
        assert course.reached_s(distance) == pytest.approx(np.sqrt(distance), abs=2e-5)
    assert course.reached_s(0.0) == 0.0
    assert np.isnan(course.reached_s(1e4))
    assert np.isnan(Course(course.kinematics).reached_s(1.0))


def test_reached__not_known_in_a_gap_and_zero_before_the_record():
    k = constant_accel(2.0)
    known = (k.t_s < 3.0) | (k.t_s > 4.0)
    course = Course(replace(k, known=known), launch=LAUNCH)
    assert np.isnan(course.reached_s(12.0))
    assert course.reached_s(4.0) == pytest.approx(2.0, abs=1e-4)
    # The index search meets a distance that the record starts beyond.
    later = Course(constant_accel(2.0), launch=Launch(3.0, 0.02, None))
    assert later.reached_s(-20.0) == 0.0
    assert later.reached_s(7.0) == pytest.approx(1.0, abs=1e-4)


def test_rpm__between_readings_and_not_in_gaps():
    t = np.r_[0:2:0.1, 3:4:0.1]
    rpm = Series("engine_rpm", t, 1000 + 500 * t)
    course = even(rpm=rpm)
    assert course.rpm_at(0.0) == 1000.0
    assert course.rpm_at(1.234) == pytest.approx(1617.0)
    assert course.rpm_at(float(t[-1])) == pytest.approx(1000 + 500 * t[-1])
    assert np.isnan(course.rpm_at(2.5))
    assert np.isnan(course.rpm_at(-0.01))
    assert np.isnan(course.rpm_at(4.5))
    assert np.isnan(even().rpm_at(1.0))
    t = np.array([0, 1, 2, 3, 5.4, 8.0])  # a gap is over 2.5 steps of the log
    uneven = even(rpm=Series("engine_rpm", t, 100 * t))
    assert uneven.rpm_at(4.2) == pytest.approx(420.0)
    assert np.isnan(uneven.rpm_at(6.0))
    steep = even(rpm=Series("engine_rpm", np.arange(4.0), np.array([500, 3000, 400, 600.0])))
    assert [steep.rpm_at(t) for t in (0.5, 1.25)] == pytest.approx([1750, 2350])


def test_slip__wheel_over_ground_less_one():
    """200 rpm for each m/s: 8 m/s on the road are 1600 rpm; 1760 rpm are 10 % slip."""
    t = np.arange(-1, 8, 0.1)
    course = even(rpm=Series("engine_rpm", t, 440.0 * t), rpm_per_mps=200.0)
    assert course.slip_at(4.0) == pytest.approx(0.10)
    slow = even(rpm=Series("engine_rpm", t, 360.0 * t), rpm_per_mps=200.0)
    assert slow.slip_at(4.0) == pytest.approx(-0.10)
    assert np.isnan(course.slip_at(STOPPED_MPS / 2 - 0.01))
    assert not np.isnan(course.slip_at(STOPPED_MPS / 2 + 0.01))
    assert np.isnan(even(rpm=course.rpm).slip_at(4.0))


def test_marks__cover_their_ends():
    course = even(marks=[Mark("wheelspin", 1.0, 2.0, ""), Mark("lift", 5.0, 6.0, "")])
    assert [course.is_marked("wheelspin", t) for t in (0.99, 1.0, 2.0, 2.01)] == [
        False,
        True,
        True,
        False,
    ]
    assert not course.is_marked("lift", 1.5)


def test_splits__wait_fill_and_pass():
    course = even(
        2.0,
        splits=[
            passed("speed", 8.0, 4.0),
            passed("distance", 16.0, 4.0),
            missed("distance", 100.0),
        ],
    )

    def at(t):
        return [(s.status, pytest.approx(s.progress, abs=1e-3)) for s in course.splits_at(t)]

    assert at(0.0) == [("waiting", 0.0), ("waiting", 0.0), ("waiting", 0.0)]
    assert at(2.0) == [("filling", 0.5), ("filling", 0.25), ("filling", 0.04)]
    assert at(3.999)[:2] == [("filling", 0.99975), ("filling", 0.9995)]
    assert at(4.0)[:2] == [("passed", 1.0), ("passed", 1.0)]
    end = float(course.kinematics.t_s[-1])
    assert course.end_s == end
    assert at(end)[2] == ("missed", end**2 / 100)


def test_splits__without_a_launch_all_wait():
    course = Course(constant_accel(2.0), splits=[missed("speed", 20.0), missed("distance", 8.0)])
    assert [(s.status, s.progress) for s in course.splits_at(3.0)] == [("waiting", 0.0)] * 2
    assert course.end_s == course.finish_s == course.kinematics.t_s[-1]


def stopping(top_s=3.0, accel=2.0, brake=4.0):
    """Up for 3 s to 6 m/s and 9 m, down in 1.5 s over 4.5 m more, then rest."""
    k = constant_accel(accel, end_s=8.0)
    t = np.maximum(k.t_s, 0)
    down = np.clip(t - top_s, 0, accel * top_s / brake)
    up = np.minimum(t, top_s)
    speed = accel * up - brake * down
    distance = accel * up**2 / 2 + accel * top_s * down - brake * down**2 / 2
    rate = np.where(t >= top_s, np.where(speed > 0, -brake, 0.0), k.accel_mps2)
    return replace(k, speed_mps=speed, distance_m=distance, accel_mps2=rate)


def test_end__is_where_it_stands_again():
    course = Course(
        stopping(), launch=LAUNCH, splits=[missed("speed", 8.0), missed("distance", 20.0)]
    )
    assert course.end_s == pytest.approx(3 + (6 - STOPPED_MPS) / 4, abs=0.011)
    assert course.finish_s == pytest.approx(3.0, abs=0.15)
    before, after = (course.splits_at(course.end_s + s) for s in (-0.05, 0.0))
    assert [s.status for s in before] == ["filling", "filling"]
    assert [s.status for s in after] == ["missed", "missed"]
    assert after[0].progress == pytest.approx(6 / 8)
    assert after[1].progress == pytest.approx(13.5 / 20, abs=1e-3)


def test_end__is_that_of_the_run_after_the_launch_and_not_of_an_earlier_move():
    k = stopping()
    earlier = np.interp(k.t_s, [-0.9, -0.8, -0.5, -0.4], [0, 9, 9, 0])
    moved = replace(k, t_s=k.t_s + 7, speed_mps=k.speed_mps + earlier)
    course = Course(moved, launch=Launch(7.0, 0.02, None))
    assert course.end_s == pytest.approx(7 + 3 + (6 - STOPPED_MPS) / 4, abs=0.011)


def test_gap__two_even_accelerations():
    """2.0 against 1.5 m/s^2: after 4 s 16 m against 12 m; the second is at 12 m after 4 s, the
    first after sqrt(12) = 3.464 s, so the first is 0.536 s and 4 m ahead."""
    first, second = even(2.0, at_s=5.0), even(1.5, at_s=-3.0)
    gap = gap_at(first, second, 4.0)
    assert gap.gap_s == pytest.approx(4 - np.sqrt(12), abs=1e-4)
    assert gap.gap_m == pytest.approx(4.0, abs=1e-4)
    assert gap.sigma_s == pytest.approx(np.hypot(0.02, 0.02), rel=1e-6)
    back = gap_at(second, first, 4.0)
    assert back.gap_s == pytest.approx(-gap.gap_s, abs=1e-9)
    assert back.gap_m == pytest.approx(-gap.gap_m)


def test_gap__nothing_before_the_launch_and_nothing_without_one():
    first, second = even(2.0), even(1.5)
    for before in (-1.0, 0.0):
        gap = gap_at(first, second, before)
        assert (gap.gap_s, gap.gap_m, gap.sigma_s) == (0.0, 0.0, 0.0)
    for pair in ((Course(first.kinematics), second), (first, Course(second.kinematics))):
        gap = gap_at(*pair, 2.0)
        assert all(np.isnan(v) for v in vars(gap).values())


def test_gap__stands_still_once_one_brakes():
    first, second = Course(stopping(), launch=LAUNCH), even(1.5)
    over = first.finish_s
    assert gap_at(first, second, over + 2.0) == gap_at(first, second, over)
    assert gap_at(first, second, over - 0.5) != gap_at(first, second, over)


def test_gap__sigma_is_distance_over_speed_and_the_launch():
    """Distance gathers 0.1 m a second: at 16 m, 8 m/s and 4 s that is 0.4 m over 8 m/s, 0.05 s."""
    k = constant_accel(2.0)
    gathered = np.sqrt(0.3**2 + (0.1 * np.maximum(k.t_s, 0)) ** 2)
    course = Course(replace(k, distance_sigma_m=gathered), launch=Launch(0.0, 0.03, None))
    sure = even(2.0, sigma_s=0.0)
    assert gap_at(course, sure, 4.0).sigma_s == pytest.approx(np.hypot(0.03, 0.05), rel=1e-3)
    early = gap_at(course, sure, 0.1).sigma_s  # below 0.5 m/s that speed is taken
    assert early == pytest.approx(np.hypot(0.03, 0.01 / 0.5), rel=1e-2)


def test_gap__held_at_the_end_of_the_shorter_record():
    short = Course(constant_accel(2.0, end_s=3.0), launch=LAUNCH)
    gap = gap_at(short, even(1.5), 7.0)
    last = float(short.kinematics.t_s[-1])
    assert gap.gap_m == pytest.approx((2.0 - 1.5) * last**2 / 2, abs=1e-3)
