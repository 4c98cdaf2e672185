"""Gauges placed in a picture and told what to show at each footage time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from overlay.errors import UsageError
from overlay.gauges.accel import AccelBar
from overlay.gauges.comb import LEAST_SIZE as COMB_LEAST
from overlay.gauges.comb import Comb
from overlay.gauges.gapbar import GapBar
from overlay.gauges.imprint import ImprintSide
from overlay.gauges.ladder import LEAST_SIZE as LADDER_LEAST
from overlay.gauges.ladder import Ladder
from overlay.gauges.layout import GaugeKind, Layout, Part, Placement, layout_for
from overlay.gauges.palette import BUILD_HUES, Color
from overlay.gauges.ribbon import Ribbon
from overlay.gauges.scales import accel_scale, distance_ticks
from overlay.gauges.strip import Strip
from overlay.gauges.values import (
    AccelValues,
    CombValues,
    GapValues,
    LadderValues,
    RibbonValues,
    RungState,
    SpoiledPart,
    StripValues,
)
from overlay.render.layers import Layer
from overlay.runs.course import Course, SplitAt, gap_at
from overlay.runs.model import SplitGoal
from overlay.units import mps_to_speed, speed_to_mps

USUAL: tuple[GaugeKind, ...] = ("ribbon", "comb", "ladder")
LEAST_SIZES = {"comb": COMB_LEAST, "ladder": LADDER_LEAST}
SPOILERS = {"wheelspin": "wheelspin", "limiter cut": "limiter"}


@dataclass(frozen=True)
class GaugeScale:
    """Scales that runs shown together share.

    Attributes
    ----------
    unit : str
        Of speed.
    full_speed_mps : float
        At the ribbon's full length.
    full_rpm : float or None
        At the comb's last tooth; None without RPM.
    limiter_rpm, stock_limit_rpm : float or None
    rpm_from_sound : bool
    """

    unit: str
    full_speed_mps: float
    full_rpm: float | None = None
    limiter_rpm: float | None = None
    stock_limit_rpm: float | None = None
    rpm_from_sound: bool = False


def scale_for(
    courses: Sequence[Course],
    unit: str,
    *,
    limiter_rpm: float | None = None,
    stock_limit_rpm: float | None = None,
    rpm_from_sound: bool = False,
) -> GaugeScale:
    """Round scales that hold every value of the given runs.

    Examples
    --------
    >>> round_up(43.0, 5.0)
    45.0
    """
    fastest = max(float(c.kinematics.speed_mps.max()) for c in courses)
    full = round_up(max(1.04 * mps_to_speed(fastest, unit), 5.0), 5.0)
    highest = [float(c.rpm.values.max()) for c in courses if c.rpm is not None and len(c.rpm)]
    if limiter_rpm:
        highest.append(1.08 * limiter_rpm)
    full_rpm = round_up(1.04 * max(highest), 500.0) if highest else None
    return GaugeScale(
        unit, speed_to_mps(full, unit), full_rpm, limiter_rpm, stock_limit_rpm, rpm_from_sound
    )


def round_up(value: float, step: float) -> float:
    """The next multiple of `step` that is not below `value`."""
    return math.ceil(value / step - 1e-9) * step


@dataclass(frozen=True, eq=False)
class PlacedGauges:
    """Layers of one run in a picture, where its ribbon stands, and what to tell about them."""

    layers: tuple[Layer, ...]
    side: ImprintSide
    notes: tuple[str, ...] = ()


def run_layers(
    course: Course,
    scale: GaugeScale,
    *,
    size: tuple[int, int],
    part: Part = "whole",
    region: tuple[int, int, int, int] | None = None,
    name: str = "",
    hue: Color = BUILD_HUES[0],
    kinds: Sequence[GaugeKind] | None = None,
    layout: Layout | None = None,
) -> PlacedGauges:
    """Gauges of one run: those named, or ribbon, comb (where RPM is known) and ladder.

    Parameters
    ----------
    course : Course
    scale : GaugeScale
    size : (width, height)
        Of the whole finished picture, pixels.
    part : str
        The run's part of the picture, see :func:`overlay.gauges.layout.layout_for`.
    region : (x, y, w, h), optional
        The part of the picture with the run's footage; the whole of it by default.
    kinds : sequence of str, optional
        Gauges to draw; those that have nothing to show (no RPM, no splits, no launch) are left
        out. The usual three by default, without those that the layout has no room for.
    layout : Layout, optional
        One of the user's own.

    Raises
    ------
    UsageError
        If the ribbon is not among them, or the layout has no place for one that is named.
    """
    wanted = [kind for kind in kinds or USUAL if _can_show(kind, course, scale)]
    placements, notes = _places(wanted, course, size, part, layout, is_usual=kinds is None)
    if course.launch is None and course.splits and "ladder" in (kinds or USUAL):
        notes += ("the ladder is left out: no launch from rest, so there is nothing to time",)
    layers: list[Layer] = []
    side: ImprintSide | None = None
    for place in placements:
        if place.gauge_kind == "ribbon":
            ribbon, layer = _ribbon(course, scale, place, hue)
            side = ImprintSide(name, region or (0, 0, *size), (place.x, place.y), ribbon.band)
        elif place.gauge_kind == "comb":
            layer = _comb(course, scale, place, hue)
        elif place.gauge_kind == "ladder":
            layer = _ladder(course, place, hue)
        elif place.gauge_kind == "accel":
            layer = _accel(course, place, hue)
        else:
            layer = strip_layer([course], place, names=[name or "run"], hues=[hue])
        layers.append(layer)
    if side is None:
        raise UsageError("the ribbon is missing: verify reads it back, so every clip has one")
    return PlacedGauges(tuple(layers), side, notes)


def _places(
    kinds: Sequence[GaugeKind],
    course: Course,
    size: tuple[int, int],
    part: Part,
    layout: Layout | None,
    *,
    is_usual: bool,
) -> tuple[list[Placement], tuple[str, ...]]:
    """Places of gauges; of the usual ones those that would be too small to read are left out."""
    rungs = max(1, len(course.splits))

    def placed(rungs: int) -> tuple[Placement, ...]:
        return layout_for(
            *size, kinds, part=part, layout=layout, rungs=rungs, skip_missing=is_usual
        )

    places, higher = placed(rungs), placed(rungs + 1)
    # A lone rung of a small picture gets the height of two.
    places = tuple(
        two if rungs == 1 and one.height < LADDER_LEAST[1] and one.gauge_kind == "ladder" else one
        for one, two in zip(places, higher, strict=True)
    )
    if not is_usual:
        return list(places), ()
    kept, notes = [], []
    for place in places:
        wide, high = LEAST_SIZES.get(place.gauge_kind, (0, 0))
        if place.width < wide or place.height < high:
            notes.append(f"the {place.gauge_kind} is left out: too small to read in this picture")
        else:
            kept.append(place)
    return kept, tuple(notes)


def _can_show(kind: GaugeKind, course: Course, scale: GaugeScale) -> bool:
    """Whether a gauge of this kind has anything to show of one run."""
    if kind == "gap":
        raise UsageError("the gap bar needs two runs: use pair")
    if kind == "comb":
        return course.rpm is not None and scale.full_rpm is not None
    if kind == "ladder":
        return bool(course.splits) and course.launch is not None
    return kind != "strip" or course.launch is not None


def _ribbon(
    course: Course, scale: GaugeScale, place: Placement, hue: Color
) -> tuple[Ribbon, Layer]:
    gauge = Ribbon(
        place.width,
        place.height,
        full_scale_mps=scale.full_speed_mps,
        unit=scale.unit,
        ticks=_ticks([split.goal for split in course.splits], scale),
        hue=hue,
    )

    def values(t_s: float) -> RibbonValues:
        now = course.at(t_s)
        return RibbonValues(now.speed_mps, now.sigma_mps)

    def key(t_s: float) -> object:
        now = values(t_s)
        fine = scale.full_speed_mps / 8192
        if math.isnan(now.speed_mps):
            return None
        sigma = -1 if math.isnan(now.sigma_mps) else round(now.sigma_mps / fine)
        return round(now.speed_mps / fine), sigma

    return gauge, _layer(place, lambda t_s: gauge.draw(values(t_s)), key)


def _ticks(goals: Sequence[SplitGoal], scale: GaugeScale) -> list[tuple[float, str]]:
    """Ticks at the split speeds, zero and full scale; in plain steps where no speed is timed."""
    speeds = [goal.value for goal in goals if goal.kind == "speed"]
    full = mps_to_speed(scale.full_speed_mps, scale.unit)
    marks = [mps_to_speed(speed, scale.unit) for speed in speeds]
    if not marks:
        step = round_up(full / 4, 5.0)
        marks = [step * i for i in range(1, int(full / step) + 1)]
    marks = [0.0, *marks, full]
    return [(speed_to_mps(mark, scale.unit), f"{mark:.3g}") for mark in marks]


def _comb(course: Course, scale: GaugeScale, place: Placement, hue: Color) -> Layer:
    assert scale.full_rpm is not None
    gauge = Comb(
        place.width,
        place.height,
        full_scale_rpm=scale.full_rpm,
        limiter_rpm=scale.limiter_rpm,
        caution_rpm=scale.stock_limit_rpm,
        from_sound=scale.rpm_from_sound,
        hue=hue,
    )

    def values(t_s: float) -> CombValues:
        rpm = course.rpm_at(t_s)
        is_spinning = course.is_marked("wheelspin", t_s)
        slip = course.slip_at(t_s) if is_spinning else float("nan")
        return CombValues(rpm, course.is_marked("limiter cut", t_s), is_spinning, slip)

    def key(t_s: float) -> object:
        now = values(t_s)
        if math.isnan(now.engine_rpm):
            return None
        slip = 0.0 if math.isnan(now.slip) else now.slip
        return round(now.engine_rpm / 5), now.is_cutting, now.is_spinning, round(slip, 2)

    return _layer(place, lambda t_s: gauge.draw(values(t_s)), key)


def _ladder(course: Course, place: Placement, hue: Color) -> Layer:
    gauge = Ladder(
        place.width,
        place.height,
        labels=[split.goal.label for split in course.splits],
        hue=hue,
    )

    def values(t_s: float) -> LadderValues:
        return LadderValues(tuple(_rung(course, rung) for rung in course.splits_at(t_s)))

    return _layer(place, lambda t_s: gauge.draw(values(t_s)), values)


def _rung(course: Course, at: SplitAt) -> RungState:
    if at.status == "passed":
        return RungState(
            "passed", 1.0, at.split.time_s, at.split.total_sigma_s, _spoiled(course, at)
        )
    if at.status == "missed":
        return RungState("missed", at.progress, reason=_few_words(at.split.reason))
    # Steps of 1/200 are finer than a rung shows, and spare drawing the same picture again.
    status = "filling" if at.status == "filling" else "waiting"
    return RungState(status, round(200 * at.progress) / 200, spoiled=_spoiled(course, at))  # type: ignore[arg-type]


def _few_words(reason: str | None) -> str:
    return (reason or "not reached").split(";")[0].split(":")[0]


def _spoiled(course: Course, at: SplitAt) -> tuple[SpoiledPart, ...]:
    """Marks that fall between launch and the split, as parts of the rung's whole time."""
    if course.launch is None or at.split.at_s is None or at.status != "passed":
        return ()
    start, end = course.launch.at_s, at.split.at_s
    parts = []
    for mark in course.marks:
        if mark.kind in SPOILERS and mark.start_s < end and mark.end_s > start and end > start:
            low, high = ((edge - start) / (end - start) for edge in (mark.start_s, mark.end_s))
            parts.append(SpoiledPart(SPOILERS[mark.kind], max(0.0, low), min(1.0, high)))  # type: ignore[arg-type]
    return tuple(parts)


def _accel(course: Course, place: Placement, hue: Color) -> Layer:
    k = course.kinematics
    known = k.accel_mps2[k.known]
    largest = float(abs(known).max()) if len(known) else 0.0
    gauge = AccelBar(place.width, place.height, full_scale_mps2=accel_scale(largest), hue=hue)
    sigmas = k.accel_sigma_mps2.tolist()
    start_s, step_s = float(k.t_s[0]), float(k.t_s[-1] - k.t_s[0]) / (len(k.t_s) - 1)

    def values(t_s: float) -> AccelValues:
        accel = course.at(t_s).accel_mps2
        if math.isnan(accel):
            return AccelValues(accel)
        return AccelValues(accel, sigmas[round((t_s - start_s) / step_s)])

    def key(t_s: float) -> object:
        now = values(t_s)
        if math.isnan(now.accel_mps2):
            return None
        sigma = -1 if math.isnan(now.sigma_mps2) else round(50 * now.sigma_mps2)
        return round(100 * now.accel_mps2), sigma

    return _layer(place, lambda t_s: gauge.draw(values(t_s)), key)


def strip_layer(
    courses: Sequence[Course],
    place: Placement,
    *,
    names: Sequence[str],
    hues: Sequence[Color],
    since_launch: bool = False,
) -> Layer:
    """How far each run has come, on the first run's footage time.

    Parameters
    ----------
    since_launch : bool
        Whether the layer is drawn on time since a common launch instead.
    """
    length_m = max(5.0, *(c.from_launch_m(c.end_s) for c in courses if c.launch is not None))
    gauge = Strip(
        place.width,
        place.height,
        length_m=length_m,
        names=names,
        hues=hues,
        ticks=distance_ticks([split.goal for split in courses[0].splits], length_m),
    )

    def at_s(course: Course, t_s: float) -> float:
        if not since_launch or course.launch is None:
            return t_s
        return min(course.launch.at_s + t_s, float(course.kinematics.t_s[-1]))

    def values(t_s: float) -> StripValues:
        return StripValues(tuple(c.from_launch_m(at_s(c, t_s)) for c in courses))

    def key(t_s: float) -> object:
        per_m = 4 * place.width / length_m
        gone = values(t_s).distances_m
        return tuple(None if math.isnan(one) else round(one * per_m) for one in gone)

    return _layer(place, lambda t_s: gauge.draw(values(t_s)), key)


def gap_layer(
    first: Course,
    second: Course,
    *,
    size: tuple[int, int],
    part: Part,
    names: tuple[str, str],
    hues: tuple[Color, Color],
    launch_at_s: float,
    full_scale_s: float,
    layout: Layout | None = None,
) -> Layer:
    """The gap bar of a split-screen, on the time of the finished clip.

    Parameters
    ----------
    launch_at_s : float
        Time in the finished clip at which both runs launch.
    """
    (place,) = layout_for(*size, ["gap"], part=part, layout=layout)
    gauge = GapBar(place.width, place.height, names=names, hues=hues, full_scale_s=full_scale_s)

    def values(t_s: float) -> GapValues:
        gap = gap_at(first, second, t_s - launch_at_s)
        return GapValues(gap.gap_s, gap.gap_m, gap.sigma_s)

    def key(t_s: float) -> object:
        gap = values(t_s)
        return tuple(
            None if math.isnan(v) else round(v, 3) for v in (gap.gap_s, gap.gap_m, gap.sigma_s)
        )

    return _layer(place, lambda t_s: gauge.draw(values(t_s)), key)


def _layer(place: Placement, draw: object, key: object) -> Layer:
    return Layer(place.x, place.y, place.width, place.height, draw, key)  # type: ignore[arg-type]
