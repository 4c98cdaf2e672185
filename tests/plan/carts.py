"""A second simulator of small carts, for many at once; it shares nothing with `overlay`.

Whole populations are stepped together, one column a run: engine with a parabola of torque over
revs, governor or limiter, centrifugal clutch with its own revs, tyre that creeps, wheels that turn,
rolling resistance, air and wind. Figures are common practice for a small utility single, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
STEP_S = 0.001
KEPT_EVERY = 10
G_MPS2 = 9.80665


@dataclass(frozen=True)
class Carts:
    """One cart a row, shape (n,) each; SI units unless the name says otherwise."""

    torque_nm: Array
    torque_at_rpm: Array
    torque_width_rpm: Array
    governor_rpm: Array
    droop_rpm: Array
    engage_rpm: Array
    lock_rpm: Array
    ratio: Array
    circumference_m: Array
    efficiency: Array
    mass_kg: Array
    wheels_kg: Array
    engine_kgm2: Array
    rolling: Array
    drag_area_m2: Array
    creep_per_n: Array
    opening_s: Array
    headwind_mps: Array

    def __len__(self) -> int:
        return len(self.mass_kg)

    def repeated(self, times: int) -> Carts:
        return Carts(**{f.name: np.repeat(getattr(self, f.name), times) for f in fields(self)})


def joined(*groups: Carts) -> Carts:
    """Several groups as one, since a step costs nearly the same for one cart as for hundreds."""
    return Carts(
        **{f.name: np.concatenate([getattr(g, f.name) for g in groups]) for f in fields(Carts)}
    )


def population(count: int, rng: np.random.Generator) -> Carts:
    """Carts as a club might have them: 4 to 7 hp, 140 to 210 kg with driver."""

    def between(low: float, high: float) -> Array:
        return rng.uniform(low, high, count)

    at_rpm = between(2300.0, 3100.0)
    engage = between(1800.0, 2200.0)
    return Carts(
        torque_nm=between(10.5, 16.0),
        torque_at_rpm=at_rpm,
        torque_width_rpm=between(2600.0, 3800.0),
        governor_rpm=np.where(rng.random(count) < 0.5, between(3600, 4100), between(4600, 5400)),
        droop_rpm=between(150.0, 300.0),
        engage_rpm=engage,
        lock_rpm=engage + between(400.0, 650.0),
        ratio=between(7.5, 10.5),
        circumference_m=between(1.45, 1.85),
        efficiency=between(0.88, 0.95),
        mass_kg=between(140.0, 210.0),
        wheels_kg=between(4.0, 11.0),
        engine_kgm2=between(0.004, 0.009),
        rolling=np.clip(rng.normal(0.018, 0.005, count), 0.006, None),
        drag_area_m2=np.clip(rng.normal(0.75, 0.2, count), 0.3, None),
        creep_per_n=between(2e-5, 8e-5),
        opening_s=between(0.15, 0.5),
        headwind_mps=np.zeros(count),
    )


def day_of(carts: Carts, rng: np.random.Generator) -> Carts:
    """The same carts in single runs of a day: engine, wind and the driver's foot vary."""
    n = len(carts)
    return replace(
        carts,
        torque_nm=carts.torque_nm * rng.normal(1.0, 0.015, n),
        headwind_mps=rng.normal(0.0, 0.5, n),
        opening_s=carts.opening_s * rng.uniform(0.8, 1.25, n),
    )


def free_rpm(carts: Carts) -> Array:
    """Revs at which the governor holds the engine without load: what a club would measure."""
    rpm = carts.governor_rpm - np.linspace(0.0, 1.0, 200)[:, None] * carts.droop_rpm
    net = carts.torque_nm * (1 - ((rpm - carts.torque_at_rpm) / carts.torque_width_rpm) ** 2)
    drag = 1.6 + 0.0007 * rpm
    left = np.maximum(net + drag, 0.0) * (carts.governor_rpm - rpm) / carts.droop_rpm - drag
    return np.asarray(rpm[np.argmax(left > 0, axis=0), np.arange(len(carts))])


@dataclass(frozen=True)
class Driven:
    """True motion from the opening of the throttle, a row a run; `t_s` is shared."""

    t_s: Array
    speed_mps: Array
    distance_m: Array
    engine_rpm: Array

    def time_to(self, distance_m: float) -> Array:
        """Seconds from the first movement to a distance; NaN where it is not reached."""
        moving = np.array([self.t_s[np.argmax(row > 0) - 1] for row in self.speed_mps])
        at = [np.interp(distance_m, x, self.t_s, right=np.nan) for x in self.distance_m]
        return np.array(at) - moving


def drive(carts: Carts, *, seconds: float = 14.0) -> Driven:
    """Full throttle from rest, by small explicit steps."""
    n = len(carts)
    per_rpm = 30 / math.pi
    radius = carts.circumference_m / (2 * math.pi)
    speed, distance, force = np.zeros(n), np.zeros(n), np.zeros(n)
    omega = np.full(n, 1700 / per_rpm)
    load = carts.rolling * carts.mass_kg * G_MPS2
    inertia = carts.mass_kg + carts.wheels_kg
    gain = 15.0 / (carts.lock_rpm**2 - carts.engage_rpm**2)
    kept: list[tuple[Array, Array, Array]] = []
    for i in range(round(seconds / STEP_S)):
        if i % KEPT_EVERY == 0:
            kept.append((speed.copy(), distance.copy(), omega * per_rpm))
        rpm = omega * per_rpm
        opened = np.minimum(1.0, i * STEP_S / carts.opening_s)
        governed = np.clip((carts.governor_rpm - rpm) / carts.droop_rpm, 0.0, 1.0)
        net = carts.torque_nm * (1 - ((rpm - carts.torque_at_rpm) / carts.torque_width_rpm) ** 2)
        drag = 1.6 + 0.0007 * rpm
        torque = np.maximum(net + drag, 0.0) * np.minimum(opened, governed) - drag
        torque = np.where(rpm < 1700, np.maximum(torque, 0.0), torque)
        grip = np.minimum(28.0, gain * np.maximum(0.0, rpm**2 - carts.engage_rpm**2))
        rim = speed * (1 + carts.creep_per_n * np.maximum(force, 0.0))
        driven = rim / radius * carts.ratio * per_rpm
        clutch = grip * np.tanh((rpm - driven) / 40.0)
        omega = np.maximum(omega + (torque - clutch) / carts.engine_kgm2 * STEP_S, 1000 / per_rpm)
        air = speed + carts.headwind_mps
        resist = load + 0.6 * carts.drag_area_m2 * air * np.abs(air)
        force = clutch * carts.ratio * carts.efficiency / radius
        accel = (force - resist) / inertia
        faster = np.maximum(speed + accel * STEP_S, 0.0)
        distance = distance + (speed + faster) / 2 * STEP_S
        speed = faster
    columns = [np.array(part).T for part in zip(*kept, strict=True)]
    return Driven(np.arange(len(kept)) * STEP_S * KEPT_EVERY, *columns)
