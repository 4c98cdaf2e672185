"""Power, road load and surroundings of a day in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from overlay.compare.day_power import BuildPower
from overlay.compare.explained import Cause
from overlay.compare.power import RoadLoad
from overlay.compare.power_step import PowerStep
from overlay.report.numbers import figure_unit, power_text, signed
from overlay.units import Z95, mps_to_speed, power_unit

if TYPE_CHECKING:
    from overlay.report.results import DayResults


def power_lines(results: DayResults) -> list[str]:
    """Power at the wheels, its correction for the air, and revs against speed."""
    lines = []
    for one in results.powers:
        speed = f"{mps_to_speed(one.at_mps, results.unit):.0f} {results.unit}"
        revs = "" if one.at_rpm is None else f", {one.at_rpm:.0f} rpm"
        watts = power_text(one.peak_w, one.half_w, results.unit)
        lines.append(
            f"{one.build}: {watts} at the wheels at {speed}{revs}{_in_air(one, results.unit)}"
        )
        if one.top_rpm is not None and one.limit_mps is not None:
            limit = f"{mps_to_speed(one.limit_mps, results.unit):.1f} {results.unit}"
            lines.append(
                f"{one.build}: {one.top_rpm:.0f} rpm at its top speed; the limit of the stock "
                f"parts lies at {limit}"
            )
    lines += [power_step_text(step, results.unit) for step in results.power_steps]
    loads = {one.curve.road_load: one.build for one in reversed(results.powers)}
    for load, build in reversed(loads.items()):
        lines.append(
            f"{f'{build}: ' if len(loads) > 1 else ''}{road_load_text(load, results.unit)}"
        )
    lines += [_turning_text(results)] if results.powers else []
    return lines


def power_step_text(step: PowerStep, unit: str) -> str:
    """How much more power the later build has, and why that is surer than either power."""
    low, high = (f"{mps_to_speed(v, unit):.0f}" for v in (step.low_mps, step.high_mps))
    each_w, _ = power_unit(unit)
    words = "less" if round(step.difference_w / each_w, 1) < 0 else "more"
    order = "; order and build cannot be separated" if step.is_confounded else ""
    watts = power_text(abs(step.difference_w), step.half_w, unit)
    return (
        f"{step.b} puts {watts} {words} on the road "
        f"than {step.a} from {low} to {high} {unit}: at the same speeds mass and road load are "
        f"common to both and cancel{order}"
    )


def _turning_text(results: DayResults) -> str:
    """Where the mass of the turning parts comes from."""
    vehicle, (kg, sigma) = results.sheet.vehicle, results.powers[0].measured.turning
    if vehicle.turning_kg is not None:
        return f"Turning wheels count as {kg:.1f} kg more, by the sheet."
    return (
        f"Turning wheels are assumed to count as {kg:.0f} kg ± {Z95 * sigma:.0f} more; turning_kg "
        "in the sheet narrows that."
    )


def surroundings_lines(results: DayResults) -> list[str]:
    """What weight, wind, slope and air explain of a difference: an estimate, never taken off."""
    lines = []
    for one in results.explained:
        factor, digits, shown = figure_unit(one.unit, results.unit)
        causes = [
            f"{_more_of(cause, results.unit)}: {signed(factor * cause.effect, digits)} {shown}"
            for cause in one.causes
        ]
        lines.append(
            f"An estimate from the power curve of {one.a}; nothing is corrected. Of the "
            f"difference {one.b} less {one.a} in {one.label} about "
            f"{signed(factor * one.effect, digits)} {shown} comes with the surroundings of the "
            f"runs ({'; '.join(causes)})."
        )
    return lines


def _more_of(cause: Cause, unit: str) -> str:
    """Such as ``3.0 kg more weight``."""
    factor, shown, of = {
        "weight": (1.0, " kg", "weight"),
        "headwind": (mps_to_speed(1.0, unit), f" {unit}", "headwind"),
        "slope": (1.0, " %", "slope"),
        "air": (1.0, " %", "power from the air"),
    }[cause.kind]
    amount = f"{abs(factor * cause.more):.1f}{shown}"
    return f"{amount} {'less' if cause.more < 0 else 'more'} {of}"


def road_load_text(load: RoadLoad, unit: str) -> str:
    """Where air and rolling resistance come from, and how large they are."""
    fast_mps = 10.0
    speeds = np.array([0.0, fast_mps])
    slow, fast = (
        f"{force:.0f} N ± {Z95 * sigma:.0f}"
        for force, sigma in zip(load.force_n(speeds), load.sigma_n(speeds), strict=True)
    )
    sizes = f"{slow} at walking pace, {fast} at {mps_to_speed(fast_mps, unit):.0f} {unit}"
    if load.source == "coast":
        whose = f"{load.seconds:.1f} s of coasting with the clutch out in {', '.join(load.runs)}"
        return f"Air and rolling resistance are measured, from {whose}: {sizes}."
    if load.source == "sheet":
        return f"Air and rolling resistance are the sheet's, not measured: {sizes}."
    return (
        f"Air and rolling resistance are assumed, not measured, in a wide range: {sizes}. To "
        "measure them, log the revs and let a run roll out with the clutch out and no brake."
    )


def _in_air(one: BuildPower, unit: str) -> str:
    """The peak in one standard's air: the one of the unit's home; both stand in the JSON."""
    wanted = "SAE J1349 (1990)" if unit == "mph" else "ISO 1585"
    told = [
        f"{power_text(by.factor * one.peak_w, math.nan, unit)} by {by.standard}"
        if by.valid
        else by.note
        for by in one.corrections
        if by.standard == wanted
    ]
    return f" (in standard air {told[0]})" if told else ""
