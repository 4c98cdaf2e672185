"""Film a run of the day, and write the day's sheet."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path

from overlay.demo.clip import USUAL, Coding, write_clip
from overlay.demo.paint import Picture
from overlay.demo.recorder import record_revs, record_speed, write_gpx, write_revs_table
from overlay.demo.scenario import (
    BUILDS,
    CURRENCY,
    MARGIN_MPS,
    MARGIN_S,
    SPEED_UNIT,
    SPLITS,
    SPROCKETS,
    STOCK_LIMIT_RPM,
    RunPlan,
)
from overlay.demo.scene import pictures
from overlay.demo.soundtrack import soundtrack
from overlay.demo.truth import RunTruth, truth_of, write_truth
from overlay.demo.vehicle import simulate
from overlay.files import written_whole

TELL_EVERY = 5  # pictures
CANDIDATES = """
# What might be fitted next; 'timetrue next' says what each would bring, from these runs.

[[candidates]]
name = "sprocket"
price = 22.00
wheel_teeth = [84, 100]

[[candidates]]
name = "lighter seat"
price = 60.00
mass_change_kg = -10.0

[[candidates]]
name = "forged rod"
price = 75.00
stock_limit_rpm = 5500.0  # most that its maker and the flywheel's allow
may_break = "bearing clearance must be measured"

[[candidates]]
name = "limiter at 4800 rpm"
price = 0.00
limiter_rpm = 4800.0
needs = ["forged rod"]
"""


def film(
    plan: RunPlan,
    folder: Path,
    *,
    tell: Callable[[float], None] | None = None,
    coding: Coding = USUAL,
) -> RunTruth:
    """Simulate one run and write its clip and logs; returns the truth.

    Parameters
    ----------
    folder : Path
        Where to write.
    tell : callable, optional
        Told the share filmed, 0 to 1.
    coding : Coding
        Of the clip.
    """
    motion = simulate(plan.build.vehicle, plan.drive)
    truth = truth_of(plan, motion)
    write_gpx(folder / truth.speed_log, record_speed(motion, plan.receiver))
    write_revs_table(folder / truth.revs_log, record_revs(motion, plan.counter))

    def filmed() -> Iterator[Picture]:
        for number, (t_s, picture) in enumerate(pictures(plan.scene, motion)):
            if tell is not None and number % TELL_EVERY == 0:
                tell(t_s / motion.duration_s)
            yield picture

    write_clip(
        folder / truth.clip,
        filmed(),
        soundtrack(motion, plan.sound),
        rate_hz=plan.scene.frame_rate_hz,
        created_utc=plan.created_utc,
        coding=coding,
    )
    return truth


def write_day(folder: Path, runs: tuple[RunTruth, ...]) -> Path:
    """Write ``truth.json`` and the day sheet of runs whose files are in the folder; the sheet."""
    write_truth(folder / "truth.json", runs)
    with written_whole(folder / "day.toml") as part:
        part.write_text(day_sheet(runs), encoding="utf-8")
    return folder / "day.toml"


def day_sheet(runs: tuple[RunTruth, ...]) -> str:
    """The day sheet as TOML text: vehicle, builds, runs and the splits to report."""
    cart = BUILDS[0].vehicle
    text = f"""\
# A village cyclekart club's timing runs on a disused airfield taxiway (simulated).
# Closed course, helmet and gloves; local law and the rules of the venue come first.

[report]
title = "Taxiway day"
speed_unit = "{SPEED_UNIT}"
splits = [{", ".join(f'"{goal}"' for goal in SPLITS)}]
worth_noticing_s = {MARGIN_S:g}
worth_noticing_mps = {MARGIN_MPS:g}

[vehicle]
name = "Club cart"
mass_kg = {cart.mass_kg:.1f}  # with driver and fuel
rolling_circumference_m = {2 * math.pi * cart.tyre_radius_m:.4f}
gear_ratios = [{cart.ratio:g}]  # turns of the crank for one of the driven wheel
sprocket_teeth = [{SPROCKETS[0]}, {SPROCKETS[1]}]  # driving, driven
clutch = "centrifugal"
cylinders = 1
strokes = 4
idle_rpm = {cart.idle_rpm:.1f}
stock_limit_rpm = {STOCK_LIMIT_RPM:.1f}  # a stock flywheel or rod can fail above it

[conditions]
temperature_c = 16.0
pressure_hpa = 1006.0
humidity_percent = 58.0
"""
    for build in BUILDS:
        text += f'\n[[builds]]\nname = "{build.key}"\nabout = "{build.name}"\n'
        if build.parts:
            parts = [
                f'  {{ name = "{name}", price = {price:.2f} }},\n' for name, price in build.parts
            ]
            text += f"parts = [\n{''.join(parts)}]\n"
        text += f'price = {build.price:.2f}\ncurrency = "{CURRENCY}"\n'
        text += f"limiter_rpm = {build.vehicle.held_rpm:.1f}\n"
    for run in sorted(runs, key=lambda run: run.name):
        text += f'\n[[runs]]\nname = "{run.name}"\nbuild = "{run.build}"\nclip = "{run.clip}"\n'
        text += f'logs = ["{run.speed_log}", "{run.revs_log}"]\n'
        if run.clock_offset_s == 0:
            text += "same_clock = true  # the camera's own GPS\n"
    return text + CANDIDATES
