"""The club's day: two builds of one cart, what the driver and the track do, and the loggers.

A village cyclekart club times runs on a disused airfield taxiway. Build A is the cart as bought,
held back by its governor. Build B breathes better and may turn faster: hardly any difference to
20 mph, where both are held by the clutch, and a clear one at 60 m and in top speed. In its runs the
ignition limiter cuts before the line. It turns faster than stock parts allow, which the sheet says.

The runs are driven as a club would: all of A, then the spanners, all of B, and A once more, without
which order and build could not be separated. For the day is not steady: the engine fades as it
gets hot, and a breeze gets up along the taxiway.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from overlay.demo.camera import Ride
from overlay.demo.recorder import Receiver, RevCounter
from overlay.demo.scene import SceneSpec
from overlay.demo.soundtrack import SoundSpec
from overlay.demo.vehicle import DemoVehicle, Drive
from overlay.errors import UsageError

STOCK_LIMIT_RPM = 4000.0  # of the cart's stock flywheel and rod; our own figure for the demo
CURRENCY = "GBP"
SPEED_UNIT = "mph"
SPLIT_SPEEDS = (10.0, 20.0)  # in `SPEED_UNIT`
SPLIT_DISTANCES_M = (20.0, 60.0)
SPLITS = (
    *(f"{speed:g} {SPEED_UNIT}" for speed in SPLIT_SPEEDS),
    *(f"{distance:g} m" for distance in SPLIT_DISTANCES_M),
)
MARGIN_S = 0.15  # of a split, worth noticing
MARGIN_MPS = 0.3  # of top speed
FIRST_UTC = datetime(2026, 5, 16, 10, 4, 0, tzinfo=UTC)
BETWEEN_MIN = 11  # from one run to the next
FADE = 0.012  # of its power that the engine loses from one run to the next as it gets hot
BREEZE_MPS = 0.3  # by which the headwind grows from one run to the next
SPROCKETS = (10, 94)  # teeth: driving, driven


@dataclass(frozen=True)
class DemoBuild:
    """One configuration of the cart: its name in the sheet, what it is, and what was bought.

    Each of `parts` has a price in `CURRENCY`.
    """

    key: str
    name: str
    parts: tuple[tuple[str, float], ...]
    vehicle: DemoVehicle

    @property
    def price(self) -> float:
        """Sum of the parts' prices."""
        return sum(price for _, price in self.parts)


BUILD_A = DemoBuild("A", "As bought", (), DemoVehicle())
BUILD_B = DemoBuild(
    "B",
    "Open filter, jet and free governor",
    (
        ("open air filter", 26.0),
        ("main jet", 7.0),
        ("governor spring", 4.0),
        ("steel flywheel", 48.0),
    ),
    DemoVehicle(
        # Little more than A below the 2900 rpm that belong to 20 mph, clearly more above.
        torque_nm=(9.0, 12.6, 14.0, 13.1, 13.9, 13.8, 10.5),
        governor_rpm=5200.0,
        limiter_rpm=4400.0,
    ),
)
BUILDS = (BUILD_A, BUILD_B)


@dataclass(frozen=True)
class RunPlan:
    """Everything that happens in one run and how it is recorded."""

    name: str  # such as ``a1``; files are named after it
    # What the simulator needs.
    build: DemoBuild
    drive: Drive
    scene: SceneSpec
    sound: SoundSpec
    receiver: Receiver
    counter: RevCounter
    spoiled: str | None  # what spoils it, such as ``wheelspin``
    created_utc: datetime  # creation time that the camera writes: an hour and some seconds wrong


def plan_day(
    *,
    runs_per_build: int = 3,
    size: tuple[int, int] = (1280, 720),
    rng_seed: int = 2026,
    camera_gps: bool = False,
) -> tuple[RunPlan, ...]:
    """The runs of the day in the order in which they are driven: A, then B, then A once more.

    The last is driven where there are two runs a build or more. Then the second run of A is spoiled
    by wheelspin on loose gravel, and the last takes its place.
    With `camera_gps` the receiver is the camera's own, whose track starts with the first picture;
    otherwise it runs on a clock of its own and is switched on earlier.

    Raises
    ------
    UsageError
        If `runs_per_build` is below 1 or the size is not usable.
    """
    if runs_per_build < 1:
        raise UsageError(f"{runs_per_build} runs a build: at least 1 is needed")
    rng = np.random.default_rng(rng_seed)
    kind = Receiver(
        delay_s=float(rng.uniform(0.6, 0.72)), smoothing_s=float(rng.uniform(0.26, 0.32))
    )
    turns = [(number, build) for build in BUILDS for number in range(1, runs_per_build + 1)]
    if runs_per_build > 1:
        turns.append((runs_per_build + 1, BUILD_A))
    plans = []
    for turn, (number, build) in enumerate(turns):
        receiver = replace(
            kind,
            before_s=0.0 if camera_gps else round(float(rng.uniform(9, 28)), 3),
            first_utc=FIRST_UTC
            + timedelta(minutes=BETWEEN_MIN * turn, seconds=int(rng.integers(50))),
            rng_seed=_seed(rng),
        )
        plans.append(_plan(build, number, _drive(turn, rng), receiver, size, rng))
    return tuple(plans)


def surroundings(turn: float) -> tuple[float, float]:
    """Power, as a factor, and headwind, m/s, of the turn's run (from 0) but for luck."""
    return 1 - FADE * turn, BREEZE_MPS * turn


def _drive(turn: int, rng: np.random.Generator) -> Drive:
    power, headwind_mps = surroundings(turn)
    return Drive(
        go_s=round(float(rng.uniform(1.2, 1.8)), 3),
        opening_s=round(min(0.4, max(0.12, rng.normal(0.25, 0.04))), 3),
        power=power * float(rng.normal(1.0, 0.004)),
        headwind_mps=headwind_mps + float(rng.normal(0.0, 0.2)),
        braking_mps2=float(rng.normal(4.3, 0.15)),
    )


def _plan(
    build: DemoBuild,
    number: int,
    drive: Drive,
    receiver: Receiver,
    size: tuple[int, int],
    rng: np.random.Generator,
) -> RunPlan:
    spin = build is BUILD_A and number == 2
    if spin:
        drive = replace(drive, loose_from_m=1.2, loose_to_m=6.5, loose_grip=0.24)
    scene = SceneSpec(width=size[0], height=size[1], ride=Ride(rng_seed=_seed(rng)))
    wrong = timedelta(hours=1, seconds=float(rng.normal(2, 3)))
    return RunPlan(
        name=f"{build.key.lower()}{number}",
        build=build,
        drive=drive,
        scene=scene,
        sound=SoundSpec(rng_seed=_seed(rng)),
        receiver=receiver,
        counter=RevCounter(
            clock_offset_s=round(float(rng.uniform(14, 75)), 3), rng_seed=_seed(rng)
        ),
        spoiled="wheelspin" if spin else None,
        created_utc=receiver.first_utc + timedelta(seconds=receiver.before_s) + wrong,
    )


def _seed(rng: np.random.Generator) -> int:
    return int(rng.integers(1 << 30))
