"""The lag by the engine alone, where the picture cannot tell: right logs and logs of other runs.

Run ``python -m tests.benchmarks.accuracy.engine [RUNS]`` from the checkout; some minutes for 60.
Carts, drives, receivers and rates are drawn at random; the revs are as exact as they are heard
(0.4 %). Exit code 1 where a right log's interval holds the lag in less than nine of ten runs.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from overlay.demo.recorder import Receiver, record_speed
from overlay.demo.scenario import BUILDS
from overlay.demo.vehicle import Drive, Motion, simulate
from overlay.series import Series
from overlay.session.by_engine import CREEP_SIGMA_S, Turning, in_gear
from overlay.sync import Alignment, estimate_offset

LEAST_INSIDE = 0.9
OTHERS = 3  # logs of other runs for each


def drawn(number: int, rng: np.random.Generator) -> Motion:
    """A run of one of the two builds, heavier or lighter, geared and driven as it may be."""
    mass_kg, ratio = rng.uniform(140, 220), rng.uniform(8, 11)
    vehicle = replace(BUILDS[number % 2].vehicle, mass_kg=mass_kg, ratio=ratio)
    return simulate(
        vehicle,
        Drive(
            lift_at_m=rng.uniform(40, 110),
            braking_mps2=rng.uniform(1.5, 4.5),
            power=rng.uniform(0.8, 1.2),
            opening_s=rng.uniform(0.1, 0.8),
        ),
    )


def revs_of(motion: Motion, rng: np.random.Generator) -> Turning:
    t_s = np.arange(0.0, motion.duration_s, 0.02)
    heard = motion.at("engine_rpm", t_s) * (1 + rng.normal(0, 0.004, len(t_s)))
    return Turning(Series("engine_rpm", t_s, heard), "engine speed heard in the clip")


def found(turns: Turning, speed: Series) -> Alignment | None:
    motion = in_gear(turns, speed)
    if isinstance(motion, str):
        return None
    alignment = estimate_offset(motion, speed).widened(CREEP_SIGMA_S)
    return alignment if alignment.determined else None


def main(count: int) -> int:
    """Print the table; 1 where a bar is missed."""
    rng = np.random.default_rng(20261128)
    motions = [drawn(number, rng) for number in range(count)]
    missed = False
    for rate_hz in (10.0, 1.0):
        errors, halves, wrong, others = [], [], 0, 0
        for number, motion in enumerate(motions):
            turns = revs_of(motion, rng)
            for other in range(OTHERS + 1):
                driven = motions[(number + 7 * other) % count]
                receiver = Receiver(
                    delay_s=rng.uniform(0.2, 1.0),
                    smoothing_s=rng.uniform(0.05, 0.6),
                    rate_hz=rate_hz,
                    rng_seed=4 * number + other,
                )
                record = record_speed(driven, receiver)
                got = found(turns, Series("speed_mps", record.log_s, record.speed_mps))
                if other:
                    others += 1
                    wrong += got is not None
                elif got is not None and got.interval_s and got.total_offset_s is not None:
                    errors.append(abs(got.total_offset_s - record.total_offset_s))
                    halves.append((got.interval_s[1] - got.interval_s[0]) / 2)
        inside = float(np.mean(np.array(errors) <= np.array(halves)))
        missed = missed or inside < LEAST_INSIDE
        print(
            f"{rate_hz:g} Hz: {len(errors)} of {count} answered; error {np.median(errors):.3f} s "
            f"in the middle, 95 % within {np.percentile(errors, 95):.3f} s; {inside:.0%} inside "
            f"± {np.median(halves):.3f} s; of logs of other runs {wrong} of {others} accepted"
        )
    return int(missed)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 60))
