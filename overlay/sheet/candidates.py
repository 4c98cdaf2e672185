"""What the sheet says of the engine's inside and of what might be tried next; all optional."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from overlay.sheet.base import Diameter, Money, Ratio, Rpm, Strict, Teeth, Text

Mm = Annotated[float, Field(gt=0, le=1000)]
Thin = Annotated[float, Field(gt=0, le=20)]
Newton = Annotated[float, Field(gt=0, le=5000)]
Rate = Annotated[float, Field(gt=0, le=1000)]
Compression = Annotated[float, Field(gt=2, le=25)]
Volume = Annotated[float, Field(gt=0, le=2000)]


class Engine(Strict):
    """Dimensions of the engine as measured or as its maker states them."""

    bore_mm: Mm | None = None
    stroke_mm: Mm | None = None
    rod_mm: Mm | None = Field(default=None, description="Connecting rod, centre to centre.")
    compression_ratio: Compression | None = Field(default=None, description="As it is now.")
    chamber_cc: Volume | None = Field(
        default=None, description="Volume above the piston at top dead centre, gasket included."
    )
    compression_limit: Compression | None = Field(
        default=None,
        description="Highest ratio that the maker or a qualified builder allows for your fuel.",
    )
    gasket_mm: Thin | None = Field(default=None, description="Head gasket as it is squeezed.")
    squish_mm: Thin | None = Field(
        default=None, description="Piston to head, measured with clay or solder."
    )
    valve_clearance_mm: Thin | None = Field(
        default=None, description="Smallest of valve to piston, measured with clay."
    )
    flywheel_mm: Mm | None = Field(default=None, description="Outer diameter of the flywheel.")
    flywheel_material: Literal["cast iron", "aluminium", "steel"] | None = None
    valve_lift_mm: Thin | None = None
    cam_duration_deg: float | None = Field(
        default=None, gt=90, le=400, description="Valve open, in degrees of the crank."
    )
    valve_train_g: float | None = Field(
        default=None,
        gt=0,
        le=2000,
        description="Valve, retainer, a third of the spring, and what moves with them.",
    )
    spring_seat_n: Newton | None = Field(default=None, description="Force with the valve shut.")
    spring_rate_npmm: Rate | None = None
    spring_wire_mm: Thin | None = Field(default=None, description="Or the spring's wire,")
    spring_coil_mm: Mm | None = Field(default=None, description="mean coil diameter,")
    spring_turns: float | None = Field(default=None, gt=0.5, le=50, description="active turns.")
    jet_mm: Thin | None = Field(default=None, description="Bore of the main jet that runs well.")
    jetted_temperature_c: float | None = Field(default=None, ge=-40, le=60)
    jetted_pressure_hpa: float | None = Field(default=None, ge=500, le=1100)
    jetted_humidity_percent: float | None = Field(default=None, ge=0, le=100)


class Candidate(Strict):
    """Something that might be fitted next, and what it is thought to change."""

    name: Text = Field(min_length=1, description="Unlike any other candidate's.")
    build: str = Field(
        default="", description="The build it would be fitted to. Empty: the last that has run."
    )
    price: Money | None = Field(default=None, description="In the builds' currency.")
    needs: tuple[str, ...] = Field(
        default=(), description="Names of other candidates to buy together with it."
    )
    may_break: Text = Field(default="", description="What it puts at risk, as shown.")
    gear_ratio: tuple[Ratio, ...] = Field(default=(), description="Whole ratio: one or a choice.")
    engine_teeth: tuple[Teeth, ...] = Field(default=(), description="Driving sprocket, a choice.")
    wheel_teeth: tuple[Teeth, ...] = Field(default=(), description="Driven sprocket, a choice.")
    tyre_diameter_m: tuple[Diameter, ...] = Field(default=(), description="One or a choice.")
    mass_change_kg: float | None = Field(
        default=None, ge=-500, le=500, description="Added; below 0 taken off."
    )
    power_percent: tuple[float, float] | None = Field(
        default=None,
        description="Least and most that it adds to the engine's power, such as [0, 6].",
    )
    limiter_rpm: Rpm | None = Field(
        default=None, description="Where ignition cuts or governor holds with it."
    )
    stock_limit_rpm: Rpm | None = Field(
        default=None,
        description="Most that makers allow the weakest of rod and flywheel with it fitted.",
    )
    gasket_mm: Thin | None = Field(default=None, description="Head gasket, squeezed.")
    compression_ratio: Compression | None = None
    spring_seat_n: Newton | None = None
    spring_rate_npmm: Rate | None = None
