"""Accuracy of the offset on real data: a car's wheel speed, and real pixels at a chosen speed.

Run ``python -m tests.benchmarks.accuracy.real`` from the checkout. `car60` is a minute of one car
(comma2k19, MIT): its wheel speed stands for the motion in the picture; a best fit of a pure delay
puts its receiver 0.16 s late, so that a further 1.2 s and a pole of 0.4 s make 1.76 s. `lane` is
real driving footage (CarND lane lines, MIT) read at a chosen speed, whose log is made from that
speed; the car in it does not keep quite one pace and whole frames are read, so its truth is less
exact and so are its bars. Both lie in ``../shared/data``; where they do not, the lines say so.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from overlay.motion import MotionSignal, motion_signal
from overlay.series import Series
from overlay.sync.estimate import estimate_offset
from overlay.sync.receiver import apply_receiver
from tests.benchmarks.accuracy.score import HEADER, NAME_WIDTH, Bars, Score, outcome
from tests.bounds import Curve
from tests.conftest import SHARED_DATA
from tests.lane import lane_clip_in_its_own_time, lane_pictures

CAR_BARS = Bars(largest_s=0.03, refused=(0.0, 0.0))
LANE_BARS = {
    10.0: Bars(p95_s=0.1, cover=(0.90, 1.0)),
    1.0: Bars(p95_s=0.2, cover=(0.90, 1.0)),
}
METRES_A_FRAME = 0.4
LANE_HZ = 25.0


def car_records(folder: Path) -> tuple[MotionSignal, Series]:
    """Wheel speed at 30 Hz as a motion signal, and the receiver's speed at 10 Hz."""
    wheel = np.genfromtxt(folder / "wheel_speed.csv", delimiter=",", skip_header=1)[::3]
    fix = np.genfromtxt(folder / "gnss.csv", delimiter=",", skip_header=1)
    speed = (wheel[1:, 1] + wheel[:-1, 1]) / 2
    n = len(speed)
    motion = MotionSignal(
        (wheel[1:, 0] + wheel[:-1, 0]) / 2,
        np.diff(wheel[:, 0]),
        speed / 25,
        np.ones(n),
        np.full(n, 0.01),
        moving_share=1.0,
    )
    return motion, Series("speed_mps", fix[:, 0], fix[:, 3])


def later(speed: Series, *, rate_hz: float, delay_s: float, smoothing_s: float) -> Series:
    """What a receiver with this lag of its own makes of a log."""
    at = np.arange(speed.t_s[0], speed.t_s[-1], 1 / rate_hz)
    late = apply_receiver(
        speed.t_s, speed.values, delay_s=delay_s, smoothing_s=smoothing_s, at_s=at
    )
    return Series(speed.name, at, late)


def car(folder: Path) -> int:
    """Print the car's lines; how many miss a bar."""
    motion, speed = car_records(folder)
    late = later(speed, rate_hz=1.0, delay_s=1.2, smoothing_s=0.4)
    missed = 0
    for name, log, true_s in (
        ("car60, 10 Hz, 0.16 s late", speed, 0.16),
        ("car60, thinned to 1 Hz, 1.76 s late", late, 1.76),
    ):
        score = Score(name, [outcome(estimate_offset(motion, log), true_s)])
        print(score.line(CAR_BARS), flush=True)
        missed += bool(score.missed(CAR_BARS))
    return missed


def pace(rng: np.random.Generator) -> Curve:
    """Source frames a second: at rest, a launch, a stop, at rest."""
    start_s, rise_s, top = rng.uniform(0.8, 1.6), rng.uniform(1.5, 2.4), rng.uniform(30, 40)
    brake_s, stop_s = rng.uniform(5.5, 6.5), rng.uniform(1.2, 2.0)

    def speed(t_s: np.ndarray) -> np.ndarray:
        pulling = top * (1 - np.exp(-np.clip(t_s - start_s, 0, None) / rise_s))
        return np.asarray(pulling * np.clip(1 - (t_s - brake_s) / stop_s, 0, 1))

    return speed


def lane(path: Path, launches: int) -> int:
    """Print the lines of real pixels; how many miss a bar."""
    pictures = lane_pictures(path)
    scores = {rate: Score(f"lane, {rate:g} Hz") for rate in LANE_BARS}
    fine = np.arange(-15, 25, 0.002)
    for k in range(launches):
        rng = np.random.default_rng([20260601, k])
        speed = pace(rng)
        clip = lane_clip_in_its_own_time(pictures, speed, duration_s=9.0, rest_hz=LANE_HZ, rng=rng)
        motion = motion_signal(clip.frames)
        driven = METRES_A_FRAME * speed(fine)
        for rate, score in scores.items():
            delay_s, smoothing_s = rng.uniform(0.2, 1.2), rng.uniform(0.0, 0.5)
            at = np.arange(-8 + rng.uniform(0, 1 / rate), 17, 1 / rate)
            late = apply_receiver(fine, driven, delay_s=delay_s, smoothing_s=smoothing_s, at_s=at)
            noisy = np.clip(late + rng.normal(0, 0.07, len(at)), 0, None)
            found = estimate_offset(motion, Series("speed_mps", at, noisy))
            score.outcomes.append(outcome(found, delay_s + smoothing_s))
    for rate, score in scores.items():
        print(score.line(LANE_BARS[rate]), flush=True)
    return sum(bool(score.missed(LANE_BARS[rate])) for rate, score in scores.items())


def measure(launches: int) -> int:
    """Print all lines; how many miss a bar."""
    missed = 0
    cars, clip = SHARED_DATA / "car60", SHARED_DATA / "lane" / "lane.mp4"
    if cars.is_dir():
        missed += car(cars)
    else:
        print(f"{'car60':<{NAME_WIDTH}} skipped: there is no folder {cars}")
    if clip.is_file():
        missed += lane(clip, launches)
    else:
        print(f"{'lane':<{NAME_WIDTH}} skipped: there is no file {clip}")
    return missed


def main() -> int:
    """Measure and print."""
    print(HEADER)
    return int(measure(int(sys.argv[1]) if len(sys.argv) > 1 else 10) > 0)


if __name__ == "__main__":
    sys.exit(main())
