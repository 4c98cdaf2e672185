"""Accuracy of the lag on simulated launches: error against the bound, and honesty of intervals.

    python -m tests.benchmarks.accuracy.series --trials 1000

One line a cell: receiver rate and noise, noise of the motion signal, receiver D and tau, length of
the clip, and the step of the figures logged; every trial has a launch of its own. The
root-mean-square error is set against the bound of ``tests.bounds`` (white noise, gain and
offset unknown, variances of motion and log added, rounding as noise of its own, the receiver's
smoothing known; the estimator does not know it). Beside it stands the fair bound of the model that
is fitted, with the smoothing unknown and the pitch effect known only by its prior. Errors of coarse
rounding are not white, so with it the error may come to less than the bound. A cell passes
when error / bound is at most 1.5 where the bound is under half a sample, 93 to 97 % of the
intervals hold the truth, and under 3 % are refused. The last is not judged where noise alone makes
more intervals than that too wide for an answer.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
from collections.abc import Iterable
from dataclasses import astuple, dataclass
from itertools import product

import numpy as np

from overlay.motion.model import OPEN_GROUND, MotionSignal
from overlay.series import Series
from overlay.sync.estimate import estimate_offset
from overlay.sync.receiver import apply_receiver
from overlay.sync.refusal import TOO_WIDE
from tests.benchmarks.accuracy.score import HEADER, Bars, Outcome, Score, outcome
from tests.bounds import Curve, joint_lag_bound_s, total_lag_bound_s

FPS, FINE_S, MPH = 30.0, 0.005, 0.44704


@dataclass(frozen=True)
class Cell:
    rate_hz: float
    sigma_mps: float
    snr_db: float
    delay_s: float
    smoothing_s: float
    length_s: float = 10.0
    step_mps: float = 0.0  # of the figures logged

    @property
    def name(self) -> str:
        """The cell in words."""
        words = (
            f"{self.rate_hz:2g} Hz {self.sigma_mps:4.2f} m/s {self.snr_db:g} dB "
            f"D {self.delay_s:g} tau {self.smoothing_s:g} {self.length_s:g} s"
        )
        return f"{words} by {self.step_mps:.2f}" if self.step_mps else words

    def rng(self, number: int) -> np.random.Generator:
        """Own random numbers for each trial of each cell, so that cells do not share luck."""
        of_cell = [round(1000 * value) for value in astuple(self)]
        return np.random.default_rng([20260411, number, *of_cell])


SHORT = (
    Cell(10, 0.07, 20, 0.6, 0.3),
    Cell(10, 0.07, 30, 0.6, 0.8),
    Cell(10, 0.1, 30, 0.6, 0.0, 4.0),
    Cell(20, 0.05, 30, 0.0, 0.1, 6.0),
    Cell(5, 0.2, 20, 1.5, 0.4, 6.0),
    Cell(1, 0.1, 20, 0.6, 0.3),
    Cell(10, 0.1, 10, 0.6, 0.3),
    Cell(10, 0.07, 30, 0.6, 0.3, step_mps=MPH),
    Cell(5, 0.1, 25, 0.6, 0.3, step_mps=MPH),
    Cell(1, 0.1, 25, 0.6, 0.3, step_mps=MPH),
)
FULL = tuple(
    Cell(*values)
    for values in product(
        (1, 5, 10, 20), (0.05, 0.1, 0.2), (10, 20, 30), (0.0, 0.6, 1.5), (0.0, 0.3, 0.8)
    )
)


def launch(rng: np.random.Generator) -> Curve:
    """Speed of a launch from rest toward a top speed, m/s."""
    top_mps, rise_s, at_s = rng.uniform(12, 18), rng.uniform(2.4, 3.6), rng.uniform(0.8, 1.2)
    return lambda t_s: np.asarray(top_mps * (1 - np.exp(-np.maximum(t_s - at_s, 0.0) / rise_s)))


def scene(cell: Cell, rng: np.random.Generator) -> tuple[MotionSignal, Series, float, float, float]:
    """Motion, log, true total, and both bounds for this very draw."""
    clock_s, curve = float(rng.uniform(-3, 3)), launch(rng)
    fine = np.arange(-10.0, cell.length_s + 10.0, FINE_S)
    speed = curve(fine)
    way = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * FINE_S)])
    frames = np.arange(0.0, cell.length_s, 1 / FPS)
    clean = np.diff(np.interp(frames, fine, way)) * FPS
    noise = float(np.std(clean)) * 10 ** (-cell.snr_db / 20)
    forward = clean + rng.normal(0.0, noise, len(clean))
    scale = 1 / float(np.percentile(np.abs(forward), 98))
    n = len(clean)
    middle = (frames[1:] + frames[:-1]) / 2
    motion = MotionSignal(
        middle, np.full(n, 1 / FPS), forward * scale, np.ones(n), np.full(n, noise * scale), 0.9
    )

    def shown(at_s: np.ndarray, more_s: float = 0.0) -> np.ndarray:
        smoothing_s = cell.smoothing_s + more_s
        delay_s = cell.delay_s + clock_s - more_s
        return apply_receiver(fine, speed, delay_s=delay_s, smoothing_s=smoothing_s, at_s=at_s)

    at = np.arange(-3.0 + rng.uniform(0, 1 / cell.rate_hz), cell.length_s + 3.0, 1 / cell.rate_hz)
    at = at + clock_s
    logged = shown(at) + rng.normal(0.0, cell.sigma_mps, len(at))
    if cell.step_mps:
        logged = np.rint(np.maximum(logged, 0.0) / cell.step_mps) * cell.step_mps
    log = Series("speed_mps", at, logged)
    total = cell.delay_s + cell.smoothing_s + clock_s
    inside = at[(at > total) & (at < total + cell.length_s)]
    sigma_mps = float(np.hypot(cell.sigma_mps, cell.step_mps / np.sqrt(12)))
    bound = total_lag_bound_s(middle, noise, inside, sigma_mps, curve, shown)
    squat = speed * np.gradient(speed, FINE_S)

    def shown_by_pitch(at_s: np.ndarray) -> np.ndarray:
        late = {"delay_s": cell.delay_s + clock_s, "smoothing_s": cell.smoothing_s}
        return apply_receiver(fine, squat, at_s=at_s, **late)

    fair = joint_lag_bound_s(
        (noise, FPS),
        inside,
        sigma_mps,
        shown,
        shown_by_smoothing=lambda at_s: (shown(at_s, 0.02) - shown(at_s)) / 0.02,
        shown_by_pitch=shown_by_pitch,
        pitch_sigma=OPEN_GROUND.pitch[-1],
    )
    return motion, log, total, bound, fair


def trial(job: tuple[Cell, int]) -> Outcome:
    """One estimate of a cell, scored."""
    cell, number = job
    motion, log, total, bound, fair = scene(cell, cell.rng(number))
    return outcome(estimate_offset(motion, log), total, bound_s=bound, fair_bound_s=fair)


def bars(cell: Cell, score: Score) -> Bars:
    """What a cell must reach; the ratio only where the bound is under half a sample."""
    binding = score.bound_s < 0.5 / cell.rate_hz
    wide = sum(o.reason == TOO_WIDE for o in score.outcomes)
    refused = (0.0, 0.03) if wide <= 0.03 * score.tries else None
    return Bars(ratio=1.5 if binding else None, cover=(0.93, 0.97), refused=refused)


def measure(cells: Iterable[Cell], trials: int, workers: int) -> int:
    """Print a line a cell; how many miss a bar."""
    missed = 0
    with multiprocessing.Pool(workers) as pool:
        for cell in cells:
            jobs = [(cell, number) for number in range(trials)]
            score = Score(cell.name, pool.map(trial, jobs, chunksize=4))
            missed += bool(score.missed(bars(cell, score)))
            print(score.line(bars(cell, score)), flush=True)
    return missed


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=200, help="trials a cell")
    parser.add_argument("--full", action="store_true", help="every combination, not the short list")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    print(HEADER)
    return int(measure(FULL if options.full else SHORT, options.trials, options.workers) > 0)


if __name__ == "__main__":
    sys.exit(main())
