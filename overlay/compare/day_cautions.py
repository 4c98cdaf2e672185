"""The cautions that a day's own figures ask for: revs, stopping distance, parts bought."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean, median

from overlay.compare.cautions import cautions, part_cautions, rev_caution
from overlay.compare.gearing import rpm_at_speed
from overlay.compare.standing import DayRun
from overlay.sheet import Build, DaySheet
from overlay.units import STANDARD_GRAVITY_MPS2, mps_to_speed

RUN_OFF = 2.0  # times the stopping distance: brakes fade, drivers are late; our own figure
OF_NOTE = 1.05  # ratio of stopping distances from which it is said


def day_cautions(sheet: DaySheet, runs: Sequence[DayRun]) -> tuple[str, ...]:
    """The cautions of a day: revs and parts of each build, stopping, then the usual ones.

    Parameters
    ----------
    runs : sequence of DayRun
        Those that could be worked out.
    """
    told: list[str] = []
    for build in sheet.builds:
        own = [run for run in runs if run.build == build.name]
        told += [f"{build.name}: {line}" for line in _revs(sheet, build, own)]
    told += _stopping(sheet, runs)
    said: set[str] = set()
    for build in sheet.builds:
        names = " ".join([build.about, *(part.name for part in build.parts)])
        new = [text for text in part_cautions(names) if text not in said]
        told += [f"{build.name}: {text}." for text in new]
        said |= set(new)
    return (*told, *cautions())


def _revs(sheet: DaySheet, build: Build, runs: Sequence[DayRun]) -> list[str]:
    """Revs beyond the stock limit, by whatever shows or suggests the most."""
    vehicle = sheet.vehicle_of(build)
    found: list[tuple[float, str]] = []
    seen = [rpm for run in runs if (rpm := run.highest_rpm) is not None]
    if seen:
        found.append((max(seen), "logged or heard"))
    tops = [peak.speed_mps for run in runs if (peak := run.top) is not None]
    if tops and vehicle.gear_ratios and vehicle.circumference_m is not None:
        # The longest gear gives the least revs; a slipping clutch only adds to them.
        gear = {"ratio": min(vehicle.gear_ratios), "circumference_m": vehicle.circumference_m}
        found.append((rpm_at_speed(max(tops), **gear), "by its gearing at top speed"))
    if vehicle.limiter_rpm is not None:
        found.append((vehicle.limiter_rpm, "its stated limiter"))
    if not found:
        return []
    most, seen_by = max(found)
    if vehicle.stock_limit_rpm is None:
        return [
            f"up to {most:.0f} rpm ({seen_by}), unchecked: the sheet lacks "
            "stock_limit_rpm, the most that the maker allows stock flywheel and rod"
        ]
    line = rev_caution(most, vehicle.stock_limit_rpm, seen_by)
    return [line] if line else []


def _stopping(sheet: DaySheet, runs: Sequence[DayRun]) -> list[str]:
    """Stopping distance from each build's top speed, v^2 / (2 a), by the stops of the day."""
    stops = [stop.mean_decel_mps2 for run in runs if (stop := run.braking) is not None]
    tops = {
        build.name: fmean(found)
        for build in sheet.builds
        if (found := [run.top.speed_mps for run in runs if run.build == build.name and run.top])
    }
    if not stops or not tops:
        return []
    decel, unit = median(stops), sheet.report.speed_unit
    each = {name: top**2 / (2 * decel) for name, top in tops.items()}
    least = min(each, key=lambda name: each[name])
    words = []
    for name, distance in each.items():
        more = ""
        if distance > OF_NOTE * each[least]:
            more = f", {100 * (distance / each[least] - 1):.0f} % more than {least}"
        words.append(
            f"{name} {distance:.0f} m from {mps_to_speed(tops[name], unit):.1f} {unit}{more}"
        )
    seen = f"{decel / STANDARD_GRAVITY_MPS2:.2f} g, {len(stops)} stop{'s' * (len(stops) != 1)}"
    return [
        f"Stopping by the braking measured ({seen}): {'; '.join(words)}. Keep "
        f"at least {RUN_OFF * max(each.values()):.0f} m of run-off free behind the line."
    ]
