"""A second camera's clock by its picture, for cameras placed at random beside runs.

Run ``python -m tests.benchmarks.accuracy.beside [CAMERAS]`` from the checkout; seconds a camera.
Carts, drives, places and directions are drawn at random; somebody walks through the rendered
picture, and every third camera sways by 3 pixels. Then the real drives of ``../shared/data``,
whose cameras move along, are looked at: none may be answered. Exit code 1 where the
intervals hold less than nine of ten clocks, or a real drive is answered.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from overlay.demo.scenario import BUILDS
from overlay.demo.vehicle import Drive, Motion, simulate
from overlay.footage import luma_frames
from overlay.footage.model import LumaFrame
from overlay.motion.beside import WIDTH_PX, Beside, clock_beside
from tests.beside_scene import Stand, filmed

REAL = Path(__file__).resolve().parents[4] / "shared" / "data"
RATE_HZ, LEAST_INSIDE = 12.5, 0.9


def course(motion: Motion) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    t_s = np.arange(0.0, motion.duration_s, 0.05)
    return t_s, motion.at("distance_m", t_s), motion.at("speed_mps", t_s)


def seen(number: int, rng: np.random.Generator) -> tuple[float, Beside, Motion]:
    """The clock of one camera, and what was found."""
    vehicle = replace(BUILDS[number % 2].vehicle, mass_kg=rng.uniform(140, 220))
    drive = Drive(lift_at_m=rng.uniform(40, 110), opening_s=rng.uniform(0.1, 0.8))
    motion = simulate(vehicle, drive)
    stand = Stand(rng.uniform(-4, 12), rng.uniform(4, 12), rng.choice([0.0, 0.4, -0.4, 0.8]))
    clock_s, t_s = rng.uniform(-3, 3), np.arange(0.0, motion.duration_s, 1 / RATE_HZ)
    sways_px = 3.0 if number % 3 == 2 else 0.0
    pictures = filmed(stand, t_s, motion.at("distance_m", t_s), sways_px=sways_px)
    frames = (LumaFrame(float(t), p) for t, p in zip(t_s + clock_s, pictures, strict=True))
    return clock_s, clock_beside(frames, *course(motion)), motion


def main(count: int) -> int:
    """Print what was found; 1 where a bar is missed."""
    rng = np.random.default_rng(20261128)
    errors, halves = [], []
    for number in range(count):
        clock_s, found, motion = seen(number, rng)
        if found.offset_s is not None and found.interval_s is not None:
            errors.append(abs(found.offset_s - clock_s))
            halves.append((found.interval_s[1] - found.interval_s[0]) / 2)
    inside = float(np.mean(np.array(errors) <= np.array(halves)))
    print(
        f"{len(errors)} of {count} cameras answered; error {np.median(errors):.3f} s in the "
        f"middle, {np.max(errors):.3f} s at most; {inside:.0%} inside ± {np.median(halves):.3f} s"
    )
    answered = 0
    for clip in sorted(REAL.glob("*/*.mp4")):
        found = clock_beside(luma_frames(clip, width=WIDTH_PX), *course(motion))
        answered += found.offset_s is not None
        print(f"{clip.name}: {found.reason or 'answered, though its camera moves along'}")
    return int(inside < LEAST_INSIDE or answered > 0)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 24))
