"""Whether what 'timetrue next' predicts comes true: 500 simulated carts, each changed three ways.

A cart drives three runs; its 60 m time is predicted with the gearing changed by a tooth, the
weight by 20 kg, the power by 8 %; the simulator of `tests.plan.carts`, which shares nothing with
the model, then drives the changed cart. Bars: the true change lies in the 95 % interval in 93 to
98 % of carts, and the interval is at most three times as wide as that of driving three runs of
each. The sheet's mass is off by 2 % and its limiter by 1 %; nothing else of a cart is stated.

Run ``python -m tests.benchmarks.accuracy.next [CARTS [RNG_SEED]]`` from the checkout.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from overlay.compare.equations import laid_out
from overlay.compare.further import turns
from overlay.compare.mixed import difference_of
from overlay.compare.power import assumed_road_load
from overlay.plan.course import Change, changed, passage
from overlay.plan.pull import fit_pull
from overlay.plan.vehicle import Body, fit_vehicle
from overlay.runs import parse_goal
from tests.plan.carts import Array, Carts, day_of, drive, free_rpm, joined, population
from tests.plan.recorded import LAUNCH_SIGMA_S, trace_of

GOAL = parse_goal("60 m")
RUNS = 3
INSIDE, WIDEST = (0.93, 0.98), 3.0


def changes(base: Carts, rng: np.random.Generator) -> dict[str, tuple[Carts, list[Change]]]:
    """The changed carts, and the change as a sheet would state it."""
    n = len(base)
    sign = np.where(rng.random(n) < 0.5, -1.0, 1.0)
    small = rng.random(n) < 0.5
    driving, driven = rng.integers(9, 13, n), rng.integers(54, 73, n)
    gearing = np.where(small, driving / (driving + sign), (driven + sign) / driven)
    more = 1 + 0.08 * sign
    return {
        "gearing, a tooth": (
            replace(base, ratio=base.ratio * gearing),
            [Change(gearing=float(k)) for k in gearing],
        ),
        "weight, 20 kg": (
            replace(base, mass_kg=base.mass_kg + 20 * sign),
            [Change(mass_kg=20 * float(s)) for s in sign],
        ),
        "power, 8 %": (
            replace(base, torque_nm=base.torque_nm * more),
            [Change(power=(float(p), float(p))) for p in more],
        ),
    }


def predicted(
    base: Carts, wanted: dict[str, tuple[Carts, list[Change]]], rng: np.random.Generator
) -> tuple[dict[str, Array], Array]:
    """Low, middle and high of each change, shape (carts, 3); and the measured 60 m times."""
    n = len(base)
    driven = drive(day_of(base.repeated(RUNS), rng))
    limit = free_rpm(base) / 60 / base.ratio * base.circumference_m
    found: dict[str, list[Array]] = {name: [] for name in wanted}
    for i in range(n):
        rows = range(RUNS * i, RUNS * (i + 1))
        traces = [
            trace_of(driven.t_s, driven.speed_mps[j], driven.distance_m[j], rng) for j in rows
        ]
        mass = float(base.mass_kg[i] * (1 + 0.02 * rng.standard_normal()))
        model = fit_vehicle(
            fit_pull(traces),
            Body((mass, 0.02 * mass), assumed_road_load(mass)),
            limit_mps=float(limit[i] * (1 + 0.01 * rng.standard_normal())),
        )
        before = passage(model).value(GOAL)
        for name, (_, said) in wanted.items():
            values = changed(model, said[i], GOAL, before)
            found[name].append(np.nanquantile(values, (0.025, 0.5, 0.975)))
    return {name: np.array(rows) for name, rows in found.items()}, driven.time_to(60.0)


def truths(base: Carts, wanted: dict[str, tuple[Carts, list[Change]]]) -> dict[str, Array]:
    """True change of the 60 m time, shape (carts,) each."""
    times = drive(joined(base, *(carts for carts, _ in wanted.values()))).time_to(60.0)
    now, *then = np.split(times, 1 + len(wanted))
    return {name: one - now for name, one in zip(wanted, then, strict=True)}


def width_driven(before: Array, after: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Ends of the interval of driving three runs of each in turns, as the day's table has it."""
    of_b = np.array(turns(RUNS))
    values = np.empty((len(before) // RUNS, 2 * RUNS))
    values[:, ~of_b], values[:, of_b] = before.reshape(-1, RUNS), after.reshape(-1, RUNS)
    values += LAUNCH_SIGMA_S * rng.standard_normal(values.shape)
    floor = np.full(len(values), LAUNCH_SIGMA_S)
    return difference_of(values, laid_out(list(of_b), range(2 * RUNS)), floor=floor).interval()


def main(count: int = 500, rng_seed: int = 17) -> int:
    """Print one line a change; the exit code is 1 where a bar is missed."""
    rng = np.random.default_rng(rng_seed)
    begun = time.process_time()
    base = population(count, rng)
    wanted = changes(base, rng)
    found, measured = predicted(base, wanted, rng)
    true_changes = truths(base, wanted)
    again = [day_of(carts.repeated(RUNS), rng) for carts, _ in wanted.values()]
    driven = np.split(drive(joined(*again)).time_to(60.0), len(again))
    missed = 0
    for (name, true), after in zip(true_changes.items(), driven, strict=True):
        low, middle, high = found[name].T
        inside = float(np.mean((low <= true) & (true <= high)))
        least, most = width_driven(measured, after, rng)
        ratio = (high - low) / (most - least)
        is_met = INSIDE[0] <= inside <= INSIDE[1] and float(np.mean(ratio)) <= WIDEST
        missed += not is_met
        print(
            f"{name}: true change {np.mean(np.abs(true)):.3f} s, error rms "
            f"{np.sqrt(np.mean((middle - true) ** 2)):.3f} s, half width "
            f"{np.mean(high - low) / 2:.3f} s, inside {inside:.1%} of {count}; width over that of "
            f"driving: mean {np.mean(ratio):.2f}, worst {np.max(ratio):.2f}"
            f"{'' if is_met else '  MISSED'}"
        )
    print(f"{time.process_time() - begun:.0f} s of processor time")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:3])))
