"""The simulated cyclekart: engine, centrifugal clutch, one fixed gear, tyres, air and brakes.

The model is an ordinary longitudinal force balance integrated at 1 kHz. Figures are those of a
small single-cylinder four-stroke utility engine (5 to 7.5 hp) in a 170 kg cart with its driver;
they are common practice, no source. The rest state, the launch and the stop are exact: speed is
zero, not small, while the cart stands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.integrate import cumulative_trapezoid

from overlay.errors import UsageError
from overlay.timebase import FloatArray
from overlay.units import STANDARD_GRAVITY_MPS2

STEP_S = 0.001
AIR_KGPM3 = 1.2
RPM_PER_RADPS = 30 / math.pi


@dataclass(frozen=True)
class DemoVehicle:
    """One build of the cart: net torque at full throttle, limits, gearing, masses, resistance.

    The governor closes the throttle over the 250 rpm below `governor_rpm`; the limiter cuts the
    ignition above `limiter_rpm` until the revs fall 120 below. `ratio` is engine turns for one
    turn of the driven wheels, `driven_load` the share of the weight on them; the clutch takes up
    from `engage_rpm` to `lockup_rpm`.
    """

    torque_rpm: tuple[float, ...] = (1000, 1700, 2500, 3200, 3600, 4200, 5000)
    torque_nm: tuple[float, ...] = (9.0, 12.6, 14.0, 13.0, 11.6, 9.0, 5.0)
    governor_rpm: float = 3950.0
    limiter_rpm: float = 5000.0
    ratio: float = 9.4
    tyre_radius_m: float = 0.28
    mass_kg: float = 170.0
    wheel_mass_kg: float = 7.0
    driven_load: float = 0.55
    engine_inertia_kgm2: float = 0.006
    efficiency: float = 0.92
    drag_area_m2: float = 0.75
    rolling: float = 0.019
    idle_rpm: float = 1700.0
    engage_rpm: float = 2000.0
    lockup_rpm: float = 2550.0

    @property
    def held_rpm(self) -> float:
        """Revolutions that governor or limiter lets it reach."""
        return min(self.governor_rpm, self.limiter_rpm)

    @property
    def metres_per_turn(self) -> float:
        """Distance the cart rolls for one turn of the engine without slip."""
        return 2 * math.pi * self.tyre_radius_m / self.ratio


@dataclass(frozen=True)
class Drive:
    """What the driver and the track do in one run.

    The throttle opens from `go_s` on, and is shut and the brakes put on at `lift_at_m`; it is
    filmed for `tail_s` after the stop. The driven tyres cross a patch of loose gravel where its
    length is above 0. `headwind_mps` is negative from behind, `power` a factor on the torque.
    """

    go_s: float = 1.6
    opening_s: float = 0.25
    lift_at_m: float = 66.0
    braking_mps2: float = 4.2
    tail_s: float = 0.8
    grip: float = 0.85
    loose_from_m: float = 0.0
    loose_to_m: float = 0.0
    loose_grip: float = 0.2
    headwind_mps: float = 0.0
    power: float = 1.0
    longest_s: float = 40.0


@dataclass(frozen=True, eq=False)
class Motion:
    """True motion on footage time, evenly spaced by `STEP_S`; the exact truth of a run."""

    t_s: FloatArray  # shape (n,): Footage time from 0
    # shape (n,): Ground speed, its integral by the trapezium rule, its difference quotient.
    speed_mps: FloatArray
    distance_m: FloatArray
    accel_mps2: FloatArray
    # shape (n,): Rim speed of the driven wheels, engine revolutions a minute, throttle 0 to 1.
    wheel_speed_mps: FloatArray
    engine_rpm: FloatArray
    throttle: FloatArray
    # Last instant at rest before the first movement; NaN when it never rests before moving.
    launch_s: float = field(default=math.nan)

    @property
    def duration_s(self) -> float:
        """Seconds of motion."""
        return float(self.t_s[-1])

    def at(self, name: str, t_s: FloatArray | float) -> FloatArray:
        """Values of the attribute `name` by linear interpolation, held at both ends."""
        return np.asarray(np.interp(t_s, self.t_s, getattr(self, name)))

    def split_to_speed(self, speed_mps: float) -> float:
        """Seconds from launch to the first time `speed_mps` is reached; NaN if it never is."""
        return _first_crossing(self.t_s, self.speed_mps, speed_mps) - self.launch_s

    def split_to_distance(self, distance_m: float) -> float:
        """Seconds from launch to `distance_m`; NaN if it is never reached."""
        return _first_crossing(self.t_s, self.distance_m, distance_m) - self.launch_s


def _first_crossing(t_s: FloatArray, values: FloatArray, goal: float) -> float:
    i = int(np.argmax(values >= goal))
    if values[i] < goal:
        return math.nan
    return float(np.interp(goal, values[max(0, i - 1) : i + 1], t_s[max(0, i - 1) : i + 1]))


def motion_of(
    t_s: FloatArray, speed: FloatArray, wheel: FloatArray, rpm: FloatArray, throttle: FloatArray
) -> Motion:
    """Motion with distance, acceleration and launch worked out from its speed."""
    distance = np.asarray(cumulative_trapezoid(speed, t_s, initial=0))
    moving = np.flatnonzero(speed > 0)
    launch = float(t_s[moving[0] - 1]) if len(moving) and moving[0] > 0 else math.nan
    return Motion(t_s, speed, distance, np.gradient(speed, t_s), wheel, rpm, throttle, launch)


def simulate(vehicle: DemoVehicle, drive: Drive) -> Motion:
    """Drive one run from rest to rest, until `drive.tail_s` after the stop.

    Raises
    ------
    UsageError
        If the cart does not move, or is not at rest again within `drive.longest_s`.
    """
    cart = _Cart(vehicle, drive)
    rows: list[tuple[float, float, float, float]] = []
    stopped_s = math.inf
    t = 0.0
    while t <= stopped_s + drive.tail_s:
        rows.append((cart.speed, cart.wheel, cart.omega * RPM_PER_RADPS, cart.throttle))
        cart.step(t)
        t = len(rows) * STEP_S
        if cart.lifted_s < math.inf and cart.speed == 0.0 and stopped_s == math.inf:
            stopped_s = t
        if t > drive.longest_s:
            raise UsageError(
                f"the cart is not back at rest after {drive.longest_s:g} s "
                f"(speed {cart.speed:.2f} m/s): give it more power or a shorter run"
            )
    table = np.array(rows)
    grid = np.arange(len(table), dtype=np.float64) * STEP_S
    return motion_of(grid, *table.T)


class _Cart:
    """State of the cart and one explicit step of its equations."""

    def __init__(self, vehicle: DemoVehicle, drive: Drive) -> None:
        self.vehicle, self.drive = vehicle, drive
        self.speed = self.wheel = self.distance = 0.0
        self.omega = vehicle.idle_rpm / RPM_PER_RADPS
        self.throttle = 0.0
        self.lifted_s = math.inf
        self.cut = False
        span = np.arange(0, 7001)
        self._torque = np.interp(span, vehicle.torque_rpm, vehicle.torque_nm).tolist()
        self._clutch_gain = 15.0 / (vehicle.lockup_rpm**2 - vehicle.engage_rpm**2)

    def step(self, t: float) -> None:
        vehicle = self.vehicle
        self._control(t)
        rpm = self.omega * RPM_PER_RADPS
        clutch = self._clutch(rpm)
        self.omega += (self._engine(rpm) - clutch) / vehicle.engine_inertia_kgm2 * STEP_S
        drive_n = clutch * vehicle.ratio * vehicle.efficiency / vehicle.tyre_radius_m
        self._roll(drive_n, self._resistance(t))

    def _control(self, t: float) -> None:
        drive = self.drive
        if self.distance >= drive.lift_at_m and self.lifted_s == math.inf:
            self.lifted_s = t
        if self.lifted_s < math.inf:
            self.throttle = max(0.0, 1.0 - (t - self.lifted_s) / 0.12)
        else:
            self.throttle = min(1.0, max(0.0, (t - drive.go_s) / drive.opening_s))

    def _engine(self, rpm: float) -> float:
        vehicle = self.vehicle
        if rpm > vehicle.limiter_rpm:
            self.cut = True
        elif rpm < vehicle.limiter_rpm - 120:
            self.cut = False
        governed = min(1.0, max(0.0, (vehicle.governor_rpm - rpm) / 250))
        friction = 1.6 + 0.0007 * rpm
        gross = self._torque[min(7000, max(0, int(rpm)))] * self.drive.power + friction
        opened = 0.0 if self.cut else min(self.throttle, governed)
        idling = min(0.9, max(0.0, (vehicle.idle_rpm + 60 - rpm) / 150))
        return gross * max(opened, idling) - friction

    def _clutch(self, rpm: float) -> float:
        vehicle = self.vehicle
        grip = min(28.0, self._clutch_gain * max(0.0, rpm**2 - vehicle.engage_rpm**2))
        driven = self.wheel / vehicle.metres_per_turn * 60
        return grip * math.tanh((rpm - driven) / 40)

    def _resistance(self, t: float) -> float:
        vehicle, drive = self.vehicle, self.drive
        air = self.speed + drive.headwind_mps
        force = vehicle.mass_kg * STANDARD_GRAVITY_MPS2 * vehicle.rolling
        force += 0.5 * AIR_KGPM3 * vehicle.drag_area_m2 * air * abs(air)
        braking = min(1.0, max(0.0, (t - self.lifted_s - 0.3) / 0.35))
        return force + braking * drive.braking_mps2 * vehicle.mass_kg

    def _roll(self, drive_n: float, resist_n: float) -> None:
        vehicle, drive = self.vehicle, self.drive
        loose = drive.loose_from_m <= self.distance < drive.loose_to_m
        grip = drive.loose_grip if loose else drive.grip
        limit_n = grip * vehicle.driven_load * vehicle.mass_kg * STANDARD_GRAVITY_MPS2
        total = vehicle.mass_kg + vehicle.wheel_mass_kg
        accel = (drive_n - resist_n) / total
        wheel = self.wheel
        slipping = wheel > self.speed + 1e-9
        if slipping or drive_n - vehicle.wheel_mass_kg * accel > limit_n:
            slipping = True
            accel = (limit_n - resist_n) / vehicle.mass_kg
            wheel += (drive_n - limit_n) / vehicle.wheel_mass_kg * STEP_S
        before = self.speed
        self.speed = max(0.0, self.speed + accel * STEP_S)
        self.distance += (before + self.speed) / 2 * STEP_S
        self.wheel = max(wheel, self.speed) if slipping else self.speed
