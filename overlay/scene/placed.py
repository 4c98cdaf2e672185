"""Gauges at their places in a picture, as layers that show what is true at each instant."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from typing import Any

from overlay.gauges.accel import AccelBar
from overlay.gauges.comb import Comb
from overlay.gauges.gapbar import GapBar
from overlay.gauges.instant import (
    accel_values,
    comb_values,
    gap_values,
    ladder_values,
    largest_gap_s,
    ribbon_values,
    strip_values,
)
from overlay.gauges.ladder import Ladder
from overlay.gauges.layout import Placement
from overlay.gauges.palette import Color
from overlay.gauges.ribbon import Ribbon
from overlay.gauges.scales import (
    GaugeScale,
    accel_scale,
    distance_ticks,
    gap_scale,
    speed_ticks,
    strip_length_m,
)
from overlay.gauges.strip import Strip
from overlay.gauges.values import (
    AccelValues,
    CombValues,
    GapValues,
    LadderValues,
    RibbonValues,
    StripValues,
)
from overlay.runs.course import Course
from overlay.scene.layers import Layer
from overlay.session import RunAnalysis

RUNG_STEPS = 200  # finer than a rung shows


def ribbon_layer(
    course: Course, scale: GaugeScale, place: Placement, hue: Color
) -> tuple[Layer, Ribbon]:
    """Speed, and the gauge itself for where its tape lies."""
    goals = [split.goal for split in course.splits]
    full_mps = scale.full_speed_mps
    gauge = Ribbon(
        place.width,
        place.height,
        full_scale_mps=full_mps,
        unit=scale.unit,
        ticks=speed_ticks(goals, scale.unit, full_mps),
        hue=hue,
    )

    def seen(now: RibbonValues) -> Hashable:
        fine = full_mps / 8192
        return _steps(now.speed_mps, fine), _steps(now.sigma_mps, fine)

    return _layer(place, gauge, lambda t_s: ribbon_values(course, t_s), seen), gauge


def comb_layer(run: RunAnalysis, scale: GaugeScale, place: Placement, hue: Color) -> Layer:
    """Revs, with where they come from."""
    assert scale.full_rpm is not None
    gauge = Comb(
        place.width,
        place.height,
        full_scale_rpm=scale.full_rpm,
        limiter_rpm=run.machine.limiter_rpm,
        caution_rpm=run.machine.stock_limit_rpm,
        from_sound=run.rpm_from_sound,
        hue=hue,
    )

    def seen(now: CombValues) -> Hashable:
        slip = _steps(now.slip, 0.01)
        return _steps(now.engine_rpm, 5.0), now.is_cutting, now.is_spinning, slip

    return _layer(place, gauge, lambda t_s: comb_values(run.course, t_s), seen)


def ladder_layer(course: Course, place: Placement, hue: Color) -> Layer:
    """Splits."""
    labels = [split.goal.label for split in course.splits]
    gauge = Ladder(place.width, place.height, labels=labels, hue=hue)

    def seen(now: LadderValues) -> Hashable:
        return tuple((rung.status, round(RUNG_STEPS * rung.progress)) for rung in now.rungs)

    return _layer(place, gauge, lambda t_s: ladder_values(course, t_s), seen)


def accel_layer(course: Course, place: Placement, hue: Color) -> Layer:
    """Acceleration."""
    gauge = AccelBar(place.width, place.height, full_scale_mps2=accel_scale(course), hue=hue)

    def seen(now: AccelValues) -> Hashable:
        return _steps(now.accel_mps2, 0.01), _steps(now.sigma_mps2, 0.02)

    return _layer(place, gauge, lambda t_s: accel_values(course, t_s), seen)


def strip_layer(
    courses: Sequence[Course],
    place: Placement,
    *,
    names: Sequence[str],
    hues: Sequence[Color],
    since_launch: bool = False,
) -> Layer:
    """How far each run has come, on the first run's footage time or on time since launch."""
    length_m = strip_length_m(courses)
    gauge = Strip(
        place.width,
        place.height,
        length_m=length_m,
        names=names,
        hues=hues,
        ticks=distance_ticks([split.goal for split in courses[0].splits], length_m),
    )

    def seen(now: StripValues) -> Hashable:
        fine = length_m / (4 * place.width)
        return tuple(_steps(gone, fine) for gone in now.distances_m)

    return _layer(
        place, gauge, lambda t_s: strip_values(courses, t_s, since_launch=since_launch), seen
    )


def gap_layer(
    pair: Sequence[Course], place: Placement, *, names: tuple[str, str], hues: tuple[Color, Color]
) -> Layer:
    """The gap between two runs, on time since their common launch."""
    first, second = pair
    gauge = GapBar(
        place.width,
        place.height,
        names=names,
        hues=hues,
        full_scale_s=gap_scale(largest_gap_s(first, second)),
    )

    def seen(now: GapValues) -> Hashable:
        return tuple(_steps(value, 0.001) for value in (now.gap_s, now.gap_m, now.sigma_s))

    return _layer(place, gauge, lambda t_s: gap_values(first, second, t_s), seen)


def _steps(value: float, fine: float) -> int | None:
    """A value in steps too fine to be seen; None for one that is not known."""
    return None if math.isnan(value) else round(value / fine)


def _layer(
    place: Placement,
    gauge: Any,
    values: Callable[[float], Any],
    seen: Callable[[Any], Hashable],
) -> Layer:
    """A gauge as a layer; two instants whose values look the same are drawn once."""
    return Layer(
        place.x,
        place.y,
        place.width,
        place.height,
        lambda t_s: gauge.draw(values(t_s)),
        lambda t_s: seen(values(t_s)),
    )


__all__ = [
    "accel_layer",
    "comb_layer",
    "gap_layer",
    "ladder_layer",
    "ribbon_layer",
    "strip_layer",
]
