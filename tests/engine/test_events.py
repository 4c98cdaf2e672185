"""Events of a run whose ground speed, wheel speed and revs are known."""

import numpy as np
import pytest

from overlay.engine.driveline import Driveline, engine_rpm_at
from overlay.engine.events import Ground, lifts, limiter_cuts, rpm_noise, wheel_events
from overlay.series import Series

LINE = Driveline((9.4,), 1.76, limiter_rpm=5000.0)
RATE_HZ = 20.0


def ground_of(speed, sigma=0.04):
    t = np.arange(0, 10, 0.01)
    v = speed(t)
    return Ground(
        t_s=t,
        speed_mps=v,
        speed_sigma_mps=np.full(len(t), sigma),
        accel_mps2=np.gradient(v, t),
        accel_sigma_mps2=np.full(len(t), 0.15),
        known=np.ones(len(t), dtype=bool),
    )


def speed(t):
    return 14 * (1 - np.exp(-t / 3))


def revs(rng, wheel_of, noise_rpm=20.0, rate_hz=RATE_HZ):
    t = np.arange(0, 10, 1 / rate_hz)
    rpm = engine_rpm_at(wheel_of(t), LINE.ratios[0], LINE.circumference_m)
    return Series("engine_rpm", t, rpm + noise_rpm * rng.standard_normal(len(t)))


def clutched(t):
    """Wheel speed as the engine sees it while a centrifugal clutch takes up at 7 m/s."""
    return np.maximum(speed(t), 7.0 + 0.05 * t)


def found(rng, wheel_of, **options):
    rpm = revs(rng, wheel_of, **options)
    return wheel_events(ground_of(speed), rpm, LINE, launch_s=0.0, end_s=9.9)


def test_wheel_events__clean_runs_give_nothing(rng):
    false = [found(rng, speed, noise_rpm=float(rng.choice([10, 40]))) for _ in range(40)]
    assert sum(len(events) for events in false) <= 2


@pytest.mark.parametrize("lasts_s", [0.2, 0.3, 1.0])
@pytest.mark.parametrize("share", [0.2, 0.4])
def test_wheel_events__wheelspin_is_found_and_placed(lasts_s, share, rng):
    hits = 0
    for _ in range(20):
        start = float(rng.uniform(2, 8))

        def wheel(t, start=start):
            return speed(t) * (1 + share * ((t >= start) & (t <= start + lasts_s)))

        events = found(rng, wheel)
        hits += any(
            e.kind == "wheelspin" and abs(e.start_s - start) < 0.2 and e.end_s > start
            for e in events
        )
    assert hits >= 19


def test_wheel_events__clutch_slip_is_told_from_wheelspin(rng):
    for _ in range(20):
        events = found(rng, clutched)
        assert [e.kind for e in events] == ["clutch slip"]
        assert events[0].start_s == 0.0
        assert events[0].size == pytest.approx(7.0, abs=0.6)


def test_wheel_events__spin_on_top_of_clutch_slip(rng):
    def wheel(t):
        return clutched(t) + np.where((t > 0.9) & (t < 1.6), 3.0, 0.0)

    kinds = [e.kind for e in found(rng, wheel)]
    assert kinds == ["clutch slip", "wheelspin"]


def test_wheel_events__without_a_clutch_a_lead_at_launch_is_wheelspin(rng):
    line = Driveline((9.4,), 1.76, clutch="none")
    rpm = revs(rng, clutched)
    events = wheel_events(ground_of(speed), rpm, line, launch_s=0.0, end_s=9.9)
    assert [e.kind for e in events] == ["wheelspin"]


def test_wheel_events__gap_of_the_log_is_no_evidence(rng):
    ground = ground_of(speed)
    blind = (ground.t_s > 4) & (ground.t_s < 6)
    ground.known[blind] = False
    rpm = revs(rng, lambda t: speed(t) * (1 + 0.4 * ((t > 4.2) & (t < 5.8))))
    assert wheel_events(ground, rpm, LINE, launch_s=0.0, end_s=9.9) == ()


def test_wheel_events__the_gear_that_fits_is_taken(rng):
    line = Driveline((14.0, 9.4), 1.76)
    t = np.arange(0, 10, 1 / RATE_HZ)
    ratio = np.where(t < 3, 14.0, 9.4)
    rpm = speed(t) / 1.76 * 60 * ratio + 15 * rng.standard_normal(len(t))
    events = wheel_events(
        ground_of(speed), Series("engine_rpm", t, rpm), line, launch_s=0.0, end_s=9.9
    )
    assert events == ()


def bounce(rng, start, lasts, noise_rpm, depth=250.0, hertz=7.0):
    """Revs that climb to 5000 rpm at `start`, bounce for `lasts` seconds, then fall."""
    t = np.arange(0, 10, 1 / RATE_HZ)
    rpm = 5000 - 500 * (start - t)
    saw = 5000 - depth * ((t - start) * hertz % 1.0)
    rpm = np.where(t > start, saw, rpm)
    rpm = np.where(t > start + lasts, 4900 - 900 * (t - start - lasts), rpm)
    return Series("engine_rpm", t, rpm + noise_rpm * rng.standard_normal(len(t)))


@pytest.mark.parametrize("known", [True, False])
def test_limiter_cuts__bounces_are_found(known, rng):
    hits = 0
    for _ in range(40):
        start, lasts = float(rng.uniform(4, 7)), float(rng.uniform(0.3, 2.0))
        rpm = bounce(rng, start, lasts, float(rng.choice([10, 20])))
        limit = 5000.0 if known else None
        events = limiter_cuts(rpm, launch_s=0.0, end_s=9.9, limiter_rpm=limit)
        hits += any(e.start_s < start + lasts and e.end_s > start for e in events)
    assert hits >= 38


def test_limiter_cuts__none_in_climbs_plateaus_and_peaks(rng):
    t = np.arange(0, 10, 1 / RATE_HZ)
    shapes = {
        "climb": 1500 + 350 * t,
        "governor": np.minimum(1500 + 500 * t, 3600),
        "peak": np.where(t < 7, 1500 + 500 * t, 5000 - 900 * (t - 7)),
    }
    for shape in shapes.values():
        for noise in (10.0, 30.0):
            false = 0
            for _ in range(10):
                rpm = Series("engine_rpm", t, shape + noise * rng.standard_normal(len(t)))
                false += len(limiter_cuts(rpm, launch_s=0.0, end_s=9.9))
            assert false <= 1


def test_lifts__a_lift_in_mid_run_but_not_its_end():
    def lifted(t):
        return np.interp(t, [0, 3, 3.6, 7, 10], [0, 9, 8.2, 14, 6])

    events = lifts(ground_of(lifted), launch_s=0.0, end_s=9.9)
    assert [e.kind for e in events] == ["lift"]
    assert events[0].start_s == pytest.approx(3.0, abs=0.1)
    assert events[0].size == pytest.approx(0.8, abs=0.1)
    assert lifts(ground_of(speed), launch_s=0.0, end_s=9.9) == ()


def test_rpm_noise__white_noise_on_a_climb(rng):
    assert rpm_noise(revs(rng, speed, noise_rpm=30.0)) == pytest.approx(30.0, rel=0.2)
