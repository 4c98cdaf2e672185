"""Strength, compression, air: worked examples, each by a second route."""

import math

import numpy as np
import pytest

from overlay.plan.air import jet_mm, jetting_figures, moist_density_kgpm3
from overlay.plan.compression import (
    compression_figures,
    ideal_gain,
    ratio_now,
    swept_cc,
    with_gasket,
)
from overlay.plan.strength import (
    float_rpm,
    mean_piston_speed_mps,
    piston_accel_mps2,
    rim_speed_mps,
    rim_stress_mpa,
    spring_rate_npmm,
    strength_figures,
)
from overlay.sheet import Conditions, Engine

ENGINE = Engine(
    bore_mm=68.0,
    stroke_mm=54.0,
    rod_mm=84.0,
    compression_ratio=8.5,
    gasket_mm=1.2,
    squish_mm=1.9,
    valve_clearance_mm=3.0,
    flywheel_mm=180.0,
    flywheel_material="cast iron",
)


def piston_mm(angle):
    """Height of the piston over the crank, exact, stroke 54 and rod 84 mm."""
    return 27 * np.cos(angle) + np.sqrt(84**2 - (27 * np.sin(angle)) ** 2)


def test_piston_speed__by_the_path_of_a_turn():
    """54 mm at 3600: 6.48 m/s; the second route sums the piston's path over one turn."""
    angle = np.linspace(0, 2 * math.pi, 100001)
    path_m = np.sum(np.abs(np.diff(piston_mm(angle)))) / 1000
    assert mean_piston_speed_mps(54.0, 3600.0) == pytest.approx(6.48, abs=1e-9)
    assert mean_piston_speed_mps(54.0, 3600.0) == pytest.approx(path_m * 3600 / 60, rel=1e-6)
    assert mean_piston_speed_mps(54.0, 5000.0) == pytest.approx(9.00)


def test_piston_acceleration__by_differences_of_the_exact_path():
    """r 27, l 84 mm at 5000: 9780 m/s²."""
    omega, h = 5000 * math.pi / 30, 1e-4
    heights = piston_mm(np.array([-h, 0.0, h])) / 1000
    second = -(heights[0] - 2 * heights[1] + heights[2]) / h**2 * omega**2
    assert piston_accel_mps2(54.0, 84.0, 5000.0) == pytest.approx(9780, abs=5)
    assert piston_accel_mps2(54.0, 84.0, 5000.0) == pytest.approx(second, rel=1e-4)


def test_rim_stress__by_the_balance_of_half_a_ring():
    """Iron, 180 mm at 3600: 8.3 MPa; half a ring of unit section is held by two cuts."""
    omega, radius = 3600 * math.pi / 30, 0.09
    angle = np.linspace(0, math.pi, 20001)
    pull = np.trapezoid(7200 * radius * omega**2 * radius * np.sin(angle), angle)
    assert rim_stress_mpa(180.0, 3600.0, 7200.0) == pytest.approx(8.3, abs=0.05)
    assert rim_stress_mpa(180.0, 3600.0, 7200.0) == pytest.approx(pull / 2 / 1e6, rel=1e-6)
    assert rim_speed_mps(180.0, 3600.0) == pytest.approx(33.9, abs=0.05)


def test_spring_rate__by_the_energy_of_twisted_wire():
    """Castigliano: the wire, pi D n long, twisted by F D / 2, polar moment pi d^4 / 32."""
    d, coil, n, shear = 2.0, 16.0, 5.0, 79300.0
    per_force = (coil / 2) ** 2 * math.pi * coil * n / (shear * math.pi * d**4 / 32)
    assert spring_rate_npmm(d, coil, n) == pytest.approx(1 / per_force)


def test_float__by_differences_of_the_lift():
    """At the revs of float the spring's force is the valve's mass times its acceleration."""
    force, grams, lift_mm, duration = 200.0, 100.0, 6.0, 240.0
    rpm = float_rpm(force, grams, lift_mm, duration)
    t = np.array([-1e-6, 0.0, 1e-6])
    degrees = 120 + rpm * 6 * t  # 6 degrees a second for each rpm
    lift = lift_mm / 2000 * (1 - np.cos(2 * math.pi * degrees / duration))
    asked = -(lift[0] - 2 * lift[1] + lift[2]) / 1e-12 * grams / 1000
    assert asked == pytest.approx(force, rel=1e-3)


def test_compression__by_volumes():
    """Bore 68, stroke 54, 8.5:1, gasket 0.5 mm thinner: 9.06:1."""
    swept = math.pi * 3.4**2 * 5.4
    chamber = swept / 7.5 - math.pi * 3.4**2 * 0.05
    after = with_gasket(8.5, bore_mm=68.0, stroke_mm=54.0, thinner_mm=0.5)
    assert after == pytest.approx(9.06, abs=0.005)
    assert after == pytest.approx(1 + swept / chamber)
    assert swept_cc(68.0, 54.0) == pytest.approx(swept)
    assert ratio_now(Engine(bore_mm=68.0, stroke_mm=54.0, chamber_cc=26.15)) == pytest.approx(
        8.5, abs=0.003
    )


def test_ideal_gain__by_the_states_of_the_cycle():
    """Otto cycle with cold air: work over heat from the four temperatures."""

    def efficiency(ratio):
        t1, heat = 300.0, 1000.0
        t2 = t1 * ratio**0.4
        t3 = t2 + heat
        t4 = t3 / ratio**0.4
        return (heat - (t4 - t1)) / heat

    assert efficiency(8.5) == pytest.approx(0.575, abs=5e-4)
    assert ideal_gain(8.5, 9.06) == pytest.approx(efficiency(9.06) / efficiency(8.5) - 1)


def test_compression_figures__limits_and_what_is_missing():
    found, missing = compression_figures(ENGINE, gasket_mm=0.7)
    by_name = {figure.name: figure for figure in found}
    assert by_name["compression ratio after"].value == pytest.approx(9.06, abs=0.005)
    room = by_name["piston to head"]
    assert (room.value, room.limit) == (pytest.approx(1.4), 1.0)
    assert "common practice" in room.limit_from
    assert by_name["valve to piston"].value == pytest.approx(2.5)
    assert missing == ("engine.compression_limit",)
    assert "engine.squish_mm" in compression_figures(Engine(), gasket_mm=0.7)[1]


def test_density__against_the_formula_of_oiml_r_111():
    """OIML R 111-1 (2004), E.3-1, approximate formula for moist air, good to 2e-4 (from memory)."""
    for t, p, h in ((20.0, 1013.25, 50.0), (30.0, 980.0, 80.0), (5.0, 1020.0, 40.0)):
        published = (0.34848 * p - 0.009 * h * math.exp(0.061 * t)) / (273.15 + t)
        assert moist_density_kgpm3(t, p, h) == pytest.approx(published, rel=1e-3)


def test_jet__keeps_the_mixture():
    """Fuel d² sqrt(density) over air density is the same before and after."""
    after = jet_mm(0.70, 0.9)
    assert after**2 * math.sqrt(0.9) / 0.9 == pytest.approx(0.70**2)
    assert after < 0.70
    known = Engine(jet_mm=0.70, jetted_temperature_c=5.0, jetted_pressure_hpa=1020.0)
    warm = Conditions(temperature_c=30.0, pressure_hpa=980.0, humidity_percent=60.0)
    density, jet = jetting_figures(known, warm)[0]
    assert density.value == pytest.approx(0.872, abs=0.003)
    assert jet.value == pytest.approx(0.70 * density.value**0.25)
    assert "never run lean" in jet.source
    assert "engine.jet_mm" in jetting_figures(Engine(), warm)[1]


def test_strength__figures_with_their_limits():
    found, missing = strength_figures(ENGINE, 5000.0, 3600.0)
    by_name = {figure.name: figure for figure in found}
    load = by_name["load on rod and rim, of that at the limit at 5000 rpm"]
    assert (load.value, load.limit) == (pytest.approx((5000 / 3600) ** 2), 1.0)
    rim = by_name["flywheel rim stress at 5000 rpm"]
    assert rim.value == pytest.approx(16.0, abs=0.05) and rim.limit == pytest.approx(8.3, abs=0.05)
    assert by_name["flywheel rim speed at 5000 rpm"].limit == pytest.approx(30.48)
    assert all(figure.unit or figure.limit == 1.0 for figure in found)
    assert all(figure.source and figure.low < figure.value < figure.high for figure in found)
    assert "vehicle.stock_limit_rpm" not in missing and "engine.valve_lift_mm" in missing
    assert strength_figures(Engine(), 5000.0, None)[1][0] == "vehicle.stock_limit_rpm"


def test_intervals__by_draws():
    """Each half width against the spread of 200,000 draws of the inputs (JCGM 101:2008)."""
    rng = np.random.default_rng(4)

    def around(value, sigma):
        return rng.normal(value, sigma, 200_000)

    revs, stroke, rod = around(5000, 50), around(54, 0.1), around(84, 0.1)
    rim, iron = around(180, 0.5), around(7200, 216)
    radius, omega = stroke / 2000, revs * np.pi / 30
    drawn = {
        "mean piston speed at 5000 rpm": 2 * stroke / 1000 * revs / 60,
        "peak piston acceleration at 5000 rpm": radius * omega**2 * (1 + radius * 1000 / rod),
        "load on rod and rim, of that at the limit at 5000 rpm": (revs / 3600) ** 2,
        "flywheel rim stress at 5000 rpm": iron * (rim / 2000 * omega) ** 2 / 1e6,
    }
    found = {figure.name: figure for figure in strength_figures(ENGINE, 5000.0, 3600.0)[0]}
    for name, values in drawn.items():
        low, high = np.quantile(values, (0.025, 0.975))
        assert found[name].low == pytest.approx(low, rel=0.004)
        assert found[name].high == pytest.approx(high, rel=0.004)

    swept = np.pi / 4 * around(68, 0.1) ** 2 * around(54, 0.1)
    ratio, thinner = around(8.5, 0.1), around(1.2, 0.05) - around(0.7, 0.05)
    after = 1 + swept / (swept / (ratio - 1) - np.pi / 4 * 68**2 * thinner)
    ratios = {figure.name: figure for figure in compression_figures(ENGINE, gasket_mm=0.7)[0]}
    low, high = np.quantile(after, (0.025, 0.975))
    assert ratios["compression ratio after"].low == pytest.approx(low, abs=0.02)
    assert ratios["compression ratio after"].high == pytest.approx(high, abs=0.02)
    low, high = np.quantile(around(1.9, 0.05) - thinner, (0.025, 0.975))
    room = ratios["piston to head"]
    assert (room.low, room.high) == pytest.approx((low, high), abs=0.005)
    bound = ratios["gain of the ideal cycle, an upper bound"]
    assert (bound.low, bound.high) == (0.0, bound.value)


def test_intervals__without_a_change_clay_alone():
    found = {figure.name: figure for figure in compression_figures(ENGINE)[0]}
    room = found["piston to head"]
    assert room.high - room.value == pytest.approx(1.96 * 0.05, rel=0.001)
    assert "compression ratio after" not in found


def test_float__has_an_interval_and_the_jet_is_wider_where_humidity_is_unknown():
    engine = ENGINE.model_copy(
        update={
            "valve_lift_mm": 6.0,
            "cam_duration_deg": 240.0,
            "valve_train_g": 100.0,
            "spring_seat_n": 80.0,
            "spring_rate_npmm": 20.0,
        }
    )
    valve = strength_figures(engine, 5000.0, 3600.0)[0][-1]
    assert valve.value == pytest.approx(5198, abs=1)
    assert 0.1 < (valve.high - valve.low) / 2 / valve.value < 0.15
    known = Engine(jet_mm=0.70, jetted_temperature_c=5.0, jetted_pressure_hpa=1020.0)
    warm = {"temperature_c": 30.0, "pressure_hpa": 980.0}
    vague, sure = (
        jetting_figures(known, Conditions(**warm, humidity_percent=damp))[0][0]
        for damp in (None, 50.0)
    )
    assert vague.value == pytest.approx(sure.value)
    # Density goes as (p - 0.378 e) / T; saturated vapour has 42.5 hPa at 30 °C and 8.7 at 5 °C
    # (steam tables, from memory).
    parts = [0.378 * e / p / 12**0.5 for e, p in ((42.5, 980), (8.7, 1020))]
    parts += [0.5 / 303.15, 0.5 / 278.15, 1 / 980, 1 / 1020]
    half = 1.96 * math.hypot(*parts)
    assert (vague.high - vague.low) / 2 / vague.value == pytest.approx(half, rel=0.03)
    assert sure.high - sure.low < 0.6 * (vague.high - vague.low)
