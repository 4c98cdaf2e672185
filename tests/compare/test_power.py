"""Where a difference arises, power at the wheels, air, gearing: against known motion."""

import math

import numpy as np
import pytest

from overlay.compare.atmosphere import STANDARDS, correction, dry_pressure_hpa
from overlay.compare.cautions import cautions, part_cautions, rev_caution
from overlay.compare.gearing import rpm_at_speed, speed_at_rpm
from overlay.compare.mixed import mean_of
from overlay.compare.power import (
    RoadLoad,
    Setting,
    _coast_blocks,
    assumed_road_load,
    fit_coast,
    power_curve,
)
from overlay.compare.where import (
    HALF_WINDOW_S,
    Trace,
    accel_at,
    accel_by_speed,
    curve,
    speed_by_distance,
    time_by_distance,
)
from overlay.errors import UndeterminedError, UsageError
from overlay.runs.model import Kinematics

MASS, ROLLING, DRAG = 170.0, 31.0, 0.45
NO_LOAD = RoadLoad(0.0, 0.0, 0.0, 0.0, 0.0, "assumed")


def kinematics(
    t: np.ndarray, v: np.ndarray, a: np.ndarray, s: np.ndarray, sigma: float = 1e-3
) -> Kinematics:
    some = np.full(len(t), sigma)
    return Kinematics(
        t, v, a, s, some, some, some, 0.01, np.ones(len(t), dtype=bool), float(t[0]), 0.002
    )


def launch(top: float = 15.0, tau: float = 3.0, sigma: float = 1e-3) -> Trace:
    """v = top (1 - e^(-t/tau)), whose acceleration at speed v is (top - v)/tau."""
    t = np.arange(0, 12, 0.01)
    e = np.exp(-t / tau)
    k = kinematics(t, top * (1 - e), top / tau * e, top * (t - tau * (1 - e)), sigma)
    return Trace(k, 0.0)


def windowed(t: np.ndarray, tau: float = 3.0) -> np.ndarray:
    """Mean over the window about each time after launch, over the value there, for e^(-t/tau)."""
    x = np.minimum(HALF_WINDOW_S, t / 2) / tau
    return np.sinh(x) / x


def coast(
    rng: np.random.Generator, start: float, noise: float, end: float = 16.0
) -> tuple[Kinematics, float, float]:
    """Exact solution of m dv/dt = -(c0 + c2 v^2)."""
    t = np.arange(0, end, 0.01)
    root = math.sqrt(ROLLING * DRAG)
    phase = math.atan(start * math.sqrt(DRAG / ROLLING)) - root / MASS * t
    v = math.sqrt(ROLLING / DRAG) * np.tan(phase)
    # A smoother's errors change slowly: one error every half second, joined.
    knots = np.arange(0, end + 0.5, 0.5)
    v = v + np.interp(t, knots, rng.normal(0, noise, len(knots)))
    return kinematics(t, v, np.gradient(v, t), np.cumsum(v) * 0.01, noise), 0.0, end


def test_where__exponential_launches() -> None:
    a, b = [launch(14.0), launch(14.2)], [launch(15.0), launch(15.2)]
    by_speed = accel_by_speed(a, b)
    inner = by_speed.x > 0.5
    inner &= by_speed.x < 13.0
    t = 3 * np.log(14.1 / (14.1 - by_speed.x[inner]))
    want = (14.1 - by_speed.x[inner]) / 3.0 * windowed(t)
    assert by_speed.a.mean[inner] == pytest.approx(want, abs=2e-3)
    assert by_speed.difference.mean[inner] == pytest.approx(1 / 3, abs=2e-3)
    along = speed_by_distance(a, b)
    assert along.x[0] == 0
    assert np.all(along.difference.mean[1:] > 0)
    assert np.all(along.difference.low[1:] < along.difference.mean[1:])
    # Distances and times of v = 15(1 - e^(-t/3)), computed (regression values).
    exact = time_by_distance([launch(), launch()], a, step_m=0.1)
    at = np.interp([18.288, 30.48, 50.0], exact.x, exact.a.mean)
    assert at == pytest.approx([3.17974, 4.32159, 5.91577], abs=1e-3)


def test_curve__the_floor_is_the_root_mean_square_of_the_sigmas() -> None:
    """Of 0.3 and 0.1: the root of 0.05. Runs that agree by luck are no surer than that."""
    found = curve(np.array([[5.0], [5.0]]), np.array([[0.3], [0.1]]))
    mean, sigma, dof = mean_of(np.array([5.0, 5.0]), math.sqrt(0.05))
    assert (found.mean[0], found.sigma[0], found.dof[0]) == pytest.approx((mean, sigma, dof))
    assert found.sigma[0] > math.sqrt(0.05 / 2)


def test_where__what_was_driven_before_the_launch_is_no_part_of_the_run() -> None:
    """A warm-up to 20 m/s ends at rest 4 s before the launch; only the launch has its slope."""
    run = launch()
    k = run.kinematics
    before = np.arange(-10, 0, 0.01)
    warm = np.clip(20 - 20 * np.abs(before + 7) / 3, 0, None)
    joined = kinematics(
        np.r_[before, k.t_s],
        np.r_[warm, k.speed_mps],
        np.r_[np.gradient(warm, before), k.accel_mps2],
        np.r_[np.cumsum(warm) * 0.01 - 60.0, k.distance_m],
    )
    speeds = np.array([3.0, 8.0, 12.0])
    found, _ = accel_at(Trace(joined, 0.0), speeds)
    alone, _ = accel_at(run, speeds)
    assert found == pytest.approx(alone, rel=1e-6)


def test_where__a_gap_or_a_single_run_gives_no_band() -> None:
    one = speed_by_distance([launch()], [launch(), launch()])
    assert np.all(np.isnan(one.a.low))
    assert np.all(np.isnan(one.difference.low))
    assert np.all(np.isfinite(one.a.mean))
    gappy = launch()
    gappy.kinematics.known[(gappy.kinematics.t_s > 3) & (gappy.kinematics.t_s < 4)] = False
    curve = speed_by_distance([gappy, launch()], [launch(), launch()]).a
    assert np.min(curve.runs) == 1
    with pytest.raises(UsageError, match="run"):
        speed_by_distance([], [launch()])


@pytest.mark.parametrize("noise", [0.0005, 0.02])
def test_fit_coast__recovers_the_load(rng: np.random.Generator, noise: float) -> None:
    found = fit_coast([coast(rng, 14, noise), coast(rng, 10, noise)], mass_kg=MASS)
    for value, truth, variance in (
        (found.rolling_n, ROLLING, found.variance_rolling),
        (found.drag_kgpm, DRAG, found.variance_drag),
    ):
        assert abs(value - truth) < 4 * math.sqrt(variance) + 1e-3 * truth
    assert found.source == "coast"
    if noise < 0.001:
        assert found.rolling_n == pytest.approx(ROLLING, rel=0.01)
        assert found.drag_kgpm == pytest.approx(DRAG, rel=0.01)


def test_fit_coast__interval_covers(rng: np.random.Generator) -> None:
    inside = 0
    for _ in range(200):
        found = fit_coast([coast(rng, 14, 0.02)], mass_kg=MASS)
        inside += abs(found.rolling_n - ROLLING) < 1.96 * math.sqrt(found.variance_rolling)
    assert 0.92 <= inside / 200 <= 1.0


def test_fit_coast__refuses_too_little(rng: np.random.Generator) -> None:
    with pytest.raises(UndeterminedError, match="coast"):
        fit_coast([coast(rng, 14, 0.01, end=1.0)], mass_kg=MASS)
    k, start, _ = coast(rng, 14, 0.001, end=16.0)
    with pytest.raises(UndeterminedError, match="too little"):
        fit_coast([(k, start, 2.6)], mass_kg=MASS)


def test_power_curve__known_motion() -> None:
    load = RoadLoad(ROLLING, DRAG, 9.0, 0.01, 0.0, "assumed")
    p = power_curve([launch(), launch()], mass_kg=MASS, mass_sigma_kg=2.0, road_load=load)
    mid = (p.speed_mps > 1) & (p.speed_mps < 13)
    v = p.speed_mps[mid]
    t = 3 * np.log(15 / (15 - v))
    want = (MASS * (15 - v) / 3 * windowed(t) + ROLLING + DRAG * v**2) * v
    assert p.power_w[mid] == pytest.approx(want, rel=1e-3)
    # At the speed of greatest a, the mass's 2 kg alone is worth a v 2 kg.
    least = np.hypot((15 - v) / 3 * 2.0, np.sqrt(9.0 + 0.01 * v**4)) * v
    assert np.all(p.sigma_w[mid] >= least * 0.999)
    assert np.all(p.low_w[mid] < want)
    assert np.all(p.high_w[mid] > want)
    single = power_curve([launch()], mass_kg=MASS, mass_sigma_kg=2.0, road_load=load)
    assert np.all(np.isnan(single.sigma_w))


def test_time_by_distance__openstax_dragster() -> None:
    """OpenStax College Physics: 26.0 m/s^2 for 5.56 s gives 402 m."""
    t = np.arange(0, 6.0, 0.01)
    trace = Trace(kinematics(t, 26.0 * t, np.full(len(t), 26.0), 13.0 * t**2), 0.0)
    seen = time_by_distance([trace], [trace], step_m=1.0)
    assert round(float(np.interp(402.0, seen.x, seen.a.mean)), 2) == 5.56


def test_assumed_load__is_wide() -> None:
    load = assumed_road_load(170.0)
    v = np.array([12.0])
    assert load.sigma_n(v)[0] > 0.15 * load.force_n(v)[0]


def test_road_load__variance_of_a_sum_of_two_that_go_together() -> None:
    # JCGM 100:2008 (GUM), equation 13: c0 + c2 v^2 with u(c0), u(c2) and their covariance.
    load = RoadLoad(30.0, 0.4, 4.0, 2.5e-5, -0.008, "sheet")
    v = np.array([0.0, 10.0])
    assert load.force_n(v).tolist() == [30.0, 70.0]
    assert load.sigma_n(v) == pytest.approx([2.0, math.sqrt(4.0 - 1.6 + 0.25)])


@pytest.mark.parametrize("mass_kg", [0.0, -1.0, math.inf, math.nan])
def test_power_curve__a_mass_that_is_none_is_refused(mass_kg: float) -> None:
    with pytest.raises(UsageError, match="give the mass with driver"):
        power_curve([], mass_kg=mass_kg, mass_sigma_kg=1.0, road_load=NO_LOAD)


@pytest.mark.parametrize("sigma_kg", [-1.0, math.inf, math.nan])
def test_power_curve__an_uncertainty_of_mass_that_is_none_is_refused(sigma_kg: float) -> None:
    with pytest.raises(UsageError, match="give the mass with driver"):
        power_curve([], mass_kg=170.0, mass_sigma_kg=sigma_kg, road_load=NO_LOAD)


@pytest.mark.parametrize(
    ("air", "dry", "sae", "iso", "wrong"),
    [
        ((25.0, 990.0, 0.0), 990.000, 1.00000, 1.00000, None),
        ((30.0, 980.0, 0.0), 980.000, 1.02200, 1.02241, None),
        ((35.0, 980.0, 60.0), 946.268, 1.07508, 1.07683, "outside 0.93 to 1.07"),
        ((10.0, 1020.0, 50.0), 1013.861, 0.94286, 0.94217, "air of 10 °C is outside 15 to 35 °C"),
    ],
)
def test_correction__table(
    air: tuple[float, float, float], dry: float, sae: float, iso: float, wrong: str | None
) -> None:
    """Computed from SAE J1349 (1990 form) and ISO 1585 (from memory)."""
    temperature, pressure, humidity = air
    assert round(dry_pressure_hpa(*air), 3) == dry
    found = [correction(name, temperature, pressure, humidity) for name in STANDARDS]
    assert [round(c.factor, 5) for c in found] == [sae, iso]
    for one in found:
        assert one.valid == (wrong is None)
        assert (wrong or "") in one.note


def test_correction__ranges_of_the_standards() -> None:
    """15 to 35 °C; dry air of 800 to 1100 hPa by ISO 1585, 900 to 1050 by SAE (from memory)."""

    def valid(celsius: float, hpa: float) -> list[bool]:
        return [c.valid for c in (correction(name, celsius, hpa, 0) for name in STANDARDS)]

    assert valid(15.0, 1000.0) == valid(35.0, 1000.0) == [True, True]
    assert valid(14.9, 1000.0) == valid(35.1, 1000.0) == [False, False]
    low = correction("SAE J1349 (1990)", temperature_c=20, pressure_hpa=890, humidity_percent=0)
    assert "dry pressure 890 hPa is outside 900 to 1050 hPa" in low.note
    iso = correction("ISO 1585", temperature_c=20, pressure_hpa=890, humidity_percent=0)
    assert "pressure" not in iso.note
    with pytest.raises(UsageError, match="humidity"):
        correction("ISO 1585", temperature_c=30, pressure_hpa=980, humidity_percent=120)
    with pytest.raises(UsageError, match="hPa"):
        correction("ISO 1585", temperature_c=30, pressure_hpa=98, humidity_percent=0)


def test_gearing__speed_and_revs() -> None:
    """6000 rpm, ratio 6.0, 0.28 m tyre: 14.661 m/s (computed)."""
    wheel = 0.28 * math.pi
    assert round(speed_at_rpm(6000, ratio=6.0, circumference_m=wheel), 3) == 14.661
    assert rpm_at_speed(14.661, ratio=6.0, circumference_m=wheel) == pytest.approx(6000, abs=0.2)
    with pytest.raises(UsageError, match="above 0"):
        rpm_at_speed(10.0, ratio=0.0, circumference_m=wheel)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_power_curve__wind_slope_weight_and_turning_parts_by_hand(way: float) -> None:
    """F = (m + j) a + c0 m/170 + 0.9 c2 (v + w)|v + w| + m g s at the mean of two unlike runs."""
    load = RoadLoad(ROLLING, DRAG, 0.0, 0.0, 0.0, "assumed")
    settings = [
        Setting(175.0, 8.0, 0.004 * way, 2.0 * way, 0.9),
        Setting(170.0, 8.0, -0.004 * way, -1.0 * way, 1.0),
    ]
    p = power_curve(
        [launch()] * 2,
        mass_kg=MASS,
        mass_sigma_kg=0.0,
        road_load=load,
        turning=(8.0, 0.0),
        settings=settings,
    )
    i = int(np.argmin(np.abs(p.speed_mps - 8.0)))
    v = p.speed_mps[i]
    a = (15 - v) / 3 * windowed(3 * np.log(15 / (15 - v)))
    by_hand = [
        183 * a
        + ROLLING * 175 / 170
        + 0.9 * DRAG * (v + 2 * way) ** 2
        + 175 * 9.80665 * 0.004 * way,
        178 * a + ROLLING + DRAG * (v - way) ** 2 - 170 * 9.80665 * 0.004 * way,
    ]
    assert p.power_w[i] == pytest.approx(np.mean(by_hand) * v, rel=1e-3)


def test_power_curve__turning_parts_widen_it() -> None:
    known, unsure = (
        power_curve(
            [launch()] * 2,
            mass_kg=MASS,
            mass_sigma_kg=0.0,
            road_load=NO_LOAD,
            turning=(7.0, sigma),
        )
        for sigma in (0.0, 4.0)
    )
    i = int(np.argmin(np.abs(known.speed_mps - 6.0)))
    assert known.power_w[i] == unsure.power_w[i]
    # 4 kg against the acceleration at 6 m/s, 3 m/s^2: 72 W.
    more = math.sqrt(unsure.sigma_w[i] ** 2 - known.sigma_w[i] ** 2)
    assert more == pytest.approx(72.0, rel=0.01)


def test_fit_coast__up_and_down_a_slope_in_a_wind(rng: np.random.Generator) -> None:
    """Exact motion of m dv/dt = -(c0 + c2 (v + w)^2 + m g s) with turning wheels, both ways."""
    runs, settings = [], []
    for way in (1.0, -1.0):
        setting = Setting(MASS, 7.0, 0.003 * way, 1.5 * way)
        t, v = np.arange(0, 14, 0.01), [13.0]
        for _ in t[1:]:
            pull = ROLLING + DRAG * (v[-1] + 1.5 * way) ** 2 + MASS * 9.80665 * 0.003 * way
            v.append(v[-1] - 0.01 * pull / 177.0)
        speed = np.array(v)
        runs.append((kinematics(t, speed, np.gradient(speed, t), t, 5e-4), 0.0, 14.0))
        settings.append(setting)
    found = fit_coast(runs, mass_kg=MASS, settings=settings)
    assert found.rolling_n == pytest.approx(ROLLING, rel=0.01)
    assert found.drag_kgpm == pytest.approx(DRAG, rel=0.01)


def test_cautions() -> None:
    assert rev_caution(5000, None) is None
    told = rev_caution(5000, 4000, "logged")
    assert told is not None
    assert told.startswith("5000 rpm (logged) is beyond")
    assert "1.56 times the load" in told  # (5000/4000)^2
    assert "Do timed runs only on a closed course" in cautions()[0]
    assert part_cautions("governor spring, steel flywheel") != part_cautions("main jet")
    for name in ("Governor", "head gasket", "valve springs", "flywheel", "main jet", "chain guard"):
        assert len(part_cautions(name)) == 1, name
    assert part_cautions("new tyres") and not part_cautions("decals")


def test_coast_blocks__neighbours_share_an_edge() -> None:
    """Differences of speeds of one variance: twice it each, less one with each neighbour."""
    t = np.arange(0, 3.01, 0.01)
    k = kinematics(t, 10 - 0.5 * t, np.full(len(t), -0.5), 10 * t, sigma=0.1)
    loss, air2, noise = _coast_blocks(k, 0.0, 2.0, Setting(100.0, 20.0))
    assert loss == pytest.approx(np.full(4, 120 * 0.5))
    scale = (120 / 0.5) ** 2 * 0.1**2
    want = scale * (2 * np.eye(4) - np.eye(4, k=1) - np.eye(4, k=-1))
    assert noise == pytest.approx(want)
    # The mean of v^2 over a block in which v falls evenly from p to q is (p^2 + p q + q^2) / 3.
    edges = 10 - 0.5 * np.arange(0, 2.5, 0.5)
    p, q = edges[:-1], edges[1:]
    assert air2 == pytest.approx((p**2 + p * q + q**2) / 3)
