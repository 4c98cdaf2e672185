"""What a day sheet says, validated and frozen. Key names carry their units.

Optional things that are not given stay None: nothing is assumed of the vehicle but
one cylinder and a centrifugal clutch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import ConfigDict, Field, PrivateAttr

from overlay.sheet.base import (
    Circumference,
    Currency,
    Diameter,
    FileName,
    Goal,
    Mass,
    Money,
    Name,
    Ratios,
    RollingGoal,
    Rpm,
    Second,
    ShownUnit,
    Strict,
    Teeth,
    Text,
)
from overlay.sheet.candidates import Candidate, Engine
from overlay.sheet.films import Film
from overlay.sheet.problems import Places, Problem


class Report(Strict):
    """What to work out and show."""

    title: Text = Field(default="", description="Title over tables and clips.")
    speed_unit: ShownUnit = Field(
        default="mph", description="Unit of speed on gauges and in tables."
    )
    splits: tuple[Goal, ...] = Field(
        default=(),
        description="Goals timed from launch, such as '60 m', '20 mph' or '60 m rollout' (the "
        "first 0.3048 m left out). Empty: a set that fits the unit.",
    )
    judged: tuple[RollingGoal, ...] = Field(
        default=(),
        description="Goals that the builds are judged by and that do not lean on the first "
        "movement, such as '10 to 20 mph', '20 to 60 m' or 'trap 50 to 60 m' (the mean speed "
        "between). Empty: made of `splits`.",
    )
    main: Text = Field(
        default="",
        description="The one goal that is judged first: one of `judged` or `splits`. Empty: the "
        "first that is judged.",
    )
    worth_noticing_s: float = Field(
        default=0.1,
        gt=0,
        le=60,
        description="Smallest difference of a split that you care about, seconds.",
    )
    worth_noticing_mps: float = Field(
        default=0.3,
        gt=0,
        le=50,
        description="Smallest difference of a speed that you care about, m/s.",
    )


class _Tyre(Strict):
    tyre_diameter_m: Diameter | None = Field(
        default=None,
        description="Outer diameter of the driven tyre, metres. Or rolling_circumference_m.",
    )
    rolling_circumference_m: Circumference | None = Field(
        default=None,
        description="Metres rolled in one turn of the driven wheel, the better measure.",
    )

    @property
    def circumference_m(self) -> float | None:
        """Metres in one turn of the driven wheel, or None if neither measure is given."""
        if self.rolling_circumference_m is not None:
            return self.rolling_circumference_m
        return None if self.tyre_diameter_m is None else math.pi * self.tyre_diameter_m


class Vehicle(_Tyre):
    """The vehicle; a build may differ in some of it."""

    name: Text = Field(default="", description="As shown.")
    mass_kg: Mass | None = Field(default=None, description="Mass with driver and fuel, kilograms.")
    turning_kg: float | None = Field(
        default=None,
        ge=0,
        le=300,
        description="What turning wheels and axles add to the mass against acceleration: moment of "
        "inertia over tyre radius squared, kilograms; else a usual share, with a wider interval.",
    )
    gear_ratios: Ratios | None = Field(
        default=None, description="Turns of the crank for one turn of the driven wheel, one a gear."
    )
    clutch: Literal["centrifugal", "plate", "none"] = Field(
        default="centrifugal", description="What slips at launch."
    )
    rolling_coefficient: float | None = Field(
        default=None,
        gt=0,
        le=0.2,
        description="Rolling resistance over weight, if known; else a usual range, or a coast.",
    )
    drag_area_m2: float | None = Field(
        default=None,
        gt=0,
        le=5,
        description="Drag coefficient times frontal area, if known; else a usual range, or a "
        "coast.",
    )
    cylinders: int = Field(default=1, ge=1, le=16)
    strokes: Literal[2, 4] | None = Field(
        default=None, description="2 or 4. With it, revs that no log has are heard in the sound."
    )
    idle_rpm: Rpm | None = Field(default=None, description="Idle speed of the engine.")
    limiter_rpm: Rpm | None = Field(
        default=None, description="Where the ignition cuts or governor holds."
    )
    stock_limit_rpm: Rpm | None = Field(
        default=None, description="Most that the maker allows the stock flywheel and rod."
    )
    sprocket_teeth: tuple[Teeth, Teeth] | None = Field(
        default=None,
        description="Teeth of the driving and the driven sprocket that `gear_ratios` holds for.",
    )


class Purchase(Strict):
    """Something bought for a build."""

    name: Text = Field(min_length=1)
    price: Money = Field(description="In the build's currency.")


class Build(_Tyre):
    """One configuration of the vehicle; what it changes on the vehicle is given here."""

    name: Name = Field(description="Short, such as A; runs name it.")
    about: Text = Field(default="", description="What it is, as shown.")
    parts: tuple[Purchase, ...] = ()
    price: Money | None = Field(
        default=None, description="Of the whole build; else the parts' sum."
    )
    currency: Currency | None = Field(default=None, description="ISO 4217 code, such as GBP.")
    mass_kg: Mass | None = None
    turning_kg: float | None = Field(default=None, ge=0, le=300)
    gear_ratios: Ratios | None = None
    limiter_rpm: Rpm | None = None
    stock_limit_rpm: Rpm | None = None

    @property
    def total_price(self) -> float:
        """Price of the whole build in its currency; 0 when nothing was bought."""
        return sum(part.price for part in self.parts) if self.price is None else self.price


class Conditions(Strict):
    """Weather and track, for notes and for power corrections."""

    temperature_c: float | None = Field(default=None, ge=-40, le=60, description="Of the air.")
    pressure_hpa: float | None = Field(
        default=None, ge=500, le=1100, description="At the track, not reduced to sea level."
    )
    humidity_percent: float | None = Field(
        default=None, ge=0, le=100, description="Relative humidity."
    )
    headwind_mps: float | None = Field(
        default=None, ge=-40, le=40, description="Along the run; below 0 from behind."
    )
    slope_percent: float | None = Field(
        default=None, ge=-30, le=30, description="Rise over run; below 0 downhill."
    )


class Columns(Strict):
    """Which column of the run's tables is what, as HEADER or HEADER:UNIT."""

    time: str | None = Field(default=None, min_length=1)
    date: str | None = Field(default=None, min_length=1)
    speed: str | None = Field(default=None, min_length=1)
    rpm: str | None = Field(default=None, min_length=1)
    wheel_speed: str | None = Field(default=None, min_length=1)
    lat: str | None = Field(default=None, min_length=1)
    lon: str | None = Field(default=None, min_length=1)
    alt: str | None = Field(default=None, min_length=1)


class Run(Strict):
    """One straight-line acceleration: a clip and its logs."""

    name: Name = Field(description="Unlike any other run's; files are named after it.")
    build: str = Field(min_length=1, description="Name of one of the builds.")
    clip: FileName = Field(description="Relative to the sheet's folder.")
    logs: tuple[FileName, ...] = Field(
        default=(),
        description="Relative to the sheet's folder; the one with speed first. Left out where the "
        "clip has a track of its own.",
    )
    notes: Text = ""
    same_clock: bool = Field(
        default=False, description="Whether the log runs on the camera's own clock (its own GPS)."
    )
    offset_s: float | None = Field(
        default=None,
        ge=-1e6,
        le=1e6,
        description="Total offset if known: log time less footage time of the same event.",
    )
    rounding: Literal["nearest", "down", "unknown"] = Field(
        default="unknown",
        description="How a log in whole mph or km/h came about: 23 for 22.5 to 23.5, for 23 to 24, "
        "or either, which the ± then holds.",
    )
    window_s: tuple[Second, Second] | None = Field(
        default=None,
        description="Start and end of the run in the clip, seconds from its first frame.",
    )
    signal_s: Second | None = Field(
        default=None,
        description="When the starting signal is given, seconds from the clip's first frame; a "
        "launch over a second later is noted as late.",
    )
    columns: Columns | None = None
    order: int | None = Field(
        default=None,
        ge=1,
        le=10000,
        description="Place in the order driven, where logs and clips do not show it; on all runs "
        "or none.",
    )
    counted: bool | None = Field(
        default=None, description="Overrules the marks: true counts the run, false leaves it out."
    )
    because: Text | None = Field(
        default=None, min_length=1, description="The reason for `counted`."
    )
    mass_kg: Mass | None = Field(
        default=None, description="With driver and fuel in this run, where not the build's."
    )
    conditions: Conditions | None = Field(
        default=None,
        description="Where they differ from the day's, whose wind and slope are those of the way "
        "that the first run went and turn round for runs the other way.",
    )

    @property
    def column_map(self) -> Mapping[str, str] | None:
        """As :func:`overlay.logs.read_log` takes it, or None."""
        return self.columns.model_dump(exclude_none=True) if self.columns else None


class DaySheet(Strict):
    """A whole day: vehicle, builds, runs and what to report."""

    model_config = ConfigDict(title="Day sheet")

    # As the sheet gives them; builds and runs in its order, at least one of each
    report: Report = Report()
    vehicle: Vehicle = Vehicle()
    conditions: Conditions = Field(default=Conditions(), description="Of the day; runs may differ.")
    engine: Engine = Engine()
    candidates: tuple[Candidate, ...] = Field(
        default=(), description="What might be tried next, for 'timetrue next'."
    )
    films: tuple[Film, ...] = Field(default=(), description="What 'timetrue desk' draws.")
    builds: Annotated[tuple[Build, ...], Field(min_length=1)]
    runs: Annotated[tuple[Run, ...], Field(min_length=1)]

    _path: Path = PrivateAttr(default=Path("day.toml"))
    _places: Places = PrivateAttr(default=Places("day.toml", {}))

    @property
    def path(self) -> Path:
        """The sheet's own file."""
        return self._path

    @property
    def folder(self) -> Path:
        """Where the sheet lies; its file names count from here."""
        return self._path.parent

    def file(self, name: str) -> Path:
        """A file that the sheet names."""
        return self.folder / name

    def run(self, name: str) -> Run | None:
        """The run of that name."""
        return next((run for run in self.runs if run.name == name), None)

    def build(self, name: str) -> Build | None:
        """The build of that name."""
        return next((build for build in self.builds if build.name == name), None)

    def conditions_of(self, run: Run) -> Conditions:
        """The day's conditions with what the run says otherwise."""
        own = run.conditions.model_dump(exclude_none=True) if run.conditions else {}
        return self.conditions.model_copy(update=own)

    def vehicle_of(self, build: Build) -> Vehicle:
        """The vehicle as that build makes it."""
        keys = ("mass_kg", "turning_kg", "gear_ratios", "limiter_rpm", "stock_limit_rpm")
        own = {key: getattr(build, key) for key in keys if getattr(build, key) is not None}
        if build.circumference_m is not None:
            own["tyre_diameter_m"] = build.tyre_diameter_m
            own["rolling_circumference_m"] = build.rolling_circumference_m
        return self.vehicle.model_copy(update=own)

    def asked(self) -> tuple[Problem, ...]:
        """What the sheet may leave out and safety asks for all the same."""
        lacking = [b.name for b in self.builds if self.vehicle_of(b).stock_limit_rpm is None]
        if not lacking:
            return ()
        whose = "" if len(lacking) == len(self.builds) else f" for {', '.join(lacking)}"
        text = (
            f"stock_limit_rpm is not given{whose}; add the most that the maker allows the stock "
            "flywheel and rod, else revs beyond it go unsaid"
        )
        return (self.problem(("vehicle",), text),)

    def problem(self, path: tuple[str | int, ...], text: str) -> Problem:
        """A problem found later at a place of this sheet (positions from 0), with its line."""
        return self._places.problem(path, text)
