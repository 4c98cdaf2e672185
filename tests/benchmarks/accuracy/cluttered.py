"""Offsets from rendered drives among things: hedges, walls, cars, traffic, bends, springs, shake.

Run ``python -m tests.benchmarks.accuracy.cluttered [--launches 2] [--processes 2] [SCENE ...]``
from the checkout. The pictures come from ``tests/cluttered_scene.py``, a renderer that shares
nothing with the demo's; each launch gets its own log at 10 and at 1 values a second, and the logs
of two other launches, which must not be accepted unless launch and stop of both lie within one
interval. `half` is the median half width of the intervals.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from tests.benchmarks.accuracy.footage import is_twin, launch, other_run, record
from tests.benchmarks.accuracy.score import (
    HEADER,
    NAME_WIDTH,
    Bars,
    Film,
    Outcome,
    Score,
    outcome,
    pooled,
)
from tests.cluttered_scene import CLUTTERED, cluttered_frames, smaller

RATES_HZ = (10.0, 1.0)
BARS = {
    10.0: Bars(median_s=0.03, p95_s=0.15, cover=(0.90, 1.0), refused=(0.0, 0.15)),
    1.0: Bars(p95_s=0.25, cover=(0.90, 1.0), refused=(0.0, 0.30)),
}


def tried(job: tuple[str, int]) -> tuple[dict[float, Outcome], int, int, str]:
    """Outcomes by rate; wrong logs accepted and tried; which evidence was used."""
    name, number = job
    rng = np.random.default_rng([20261128, list(CLUTTERED).index(name), number])
    motion = launch(rng)
    frames = list(cluttered_frames(CLUTTERED[name], motion, rng))
    film = Film(lambda: smaller(frames), lambda: frames)
    out = {}
    for rate in RATES_HZ:
        log, true_s = record(motion, rng, rate_hz=rate)
        found, used = film.offset(log)
        out[rate] = outcome(found, true_s)
    accepted = 0
    others = (other_run(rng), launch(rng))
    for other in others:
        log, there_s = record(other, rng, rate_hz=10.0)
        found, _ = film.offset(log)
        accepted += found.determined and not is_twin(found, motion, other, there_s)
    evidence = "none" if used.reason else "ground" if used.gain_errors.lag_s else "cells"
    return out, accepted, len(others), evidence


def measure(names: list[str], launches: int, processes: int) -> int:
    """Print a line a scene and rate; how many bars are missed."""
    every: dict[float, list[Score]] = {rate: [] for rate in RATES_HZ}
    wrong = np.zeros(2, int)
    with ProcessPoolExecutor(processes) as pool:
        for name in names:
            found = list(pool.map(tried, [(name, k) for k in range(launches)]))
            for rate in RATES_HZ:
                score = Score(f"{name}, {rate:g} Hz", [each[0][rate] for each in found])
                halves = [1.96 * o.sigma_s * 1e3 for o in score.outcomes if np.isfinite(o.sigma_s)]
                half = f"half {np.median(halves):.0f}; " if halves else ""
                reasons = {o.reason[:60] for o in score.outcomes if o.reason}
                about = half + ", ".join(sorted({each[3] for each in found} | reasons))
                print(score.line() + about, flush=True)
                every[rate].append(score)
            wrong += np.sum([each[1:3] for each in found], axis=0)
    missed = 0
    for rate, scores in every.items():
        score = pooled(f"all scenes, {rate:g} Hz", scores)
        print(score.line(BARS[rate]))
        missed += bool(score.missed(BARS[rate]))
    print(f"{'logs of other runs':<{NAME_WIDTH}} {wrong[0]} of {wrong[1]} accepted")
    return missed + int(wrong[0] > 0)


def main() -> int:
    """All scenes, or those named; 1 when a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--launches", type=int, default=2)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("scenes", nargs="*", default=[])
    options = parser.parse_args()
    print(HEADER)
    return int(measure(options.scenes or list(CLUTTERED), options.launches, options.processes) > 0)


if __name__ == "__main__":
    sys.exit(main())
