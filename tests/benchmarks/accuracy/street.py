"""Offsets on real streets: right logs answered, wrong ones refused.

Run ``python -m tests.benchmarks.accuracy.street [--processes 2]`` from the checkout; about ten
minutes of two cores. The drives in ``../shared/data`` (KITTI, Geiger et al. 2013, IJRR 32:1231,
CC BY-NC-SA 3.0) are cut into windows of 15 to 40 s, the whole picture looked at and nothing masked.
Each window gets its own log by a receiver that is late and smooths, at 10 and 1 values a second
and in whole mph; and wrong ones: logs of windows elsewhere in the drives, its own driven backward,
and its own stretched by 5 %. Windows of `street` and `traffic` whose speed changes by 2 m/s or more
are judged; `town`, which hardly changes its speed, is shown.

A stretched log is of the right run. Over 15 to 40 s a clock 5 % off explains the picture as well as
a gain that drifts by 2 % does, so such logs are counted on a line of their own.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from overlay.footage.frames import LumaFrames, luma_frames
from overlay.series import Series
from overlay.sync.receiver import apply_receiver
from tests.benchmarks.accuracy.score import HEADER, NAME_WIDTH, Bars, Film, Outcome, Score, outcome
from tests.conftest import SHARED_DATA

Array = npt.NDArray[np.float64]
LENGTHS_S = {15.0: 3.0, 20.0: 4.0, 30.0: 5.0, 40.0: 5.0}  # and how far apart windows start
LAGS_S = ((0.3, 0.0), (0.6, 0.3), (1.2, 0.5))  # delay and smoothing
CLOCK_S = 100.0
NOISE_MPS = 0.05
MPH = 0.44704
WRONG_WINDOWS = 5
LEAST_CHANGE_MPS = {"street": 2.0, "traffic": 2.0, "town": 1.0}
BARS = {
    "10 Hz": Bars(median_s=0.08, p95_s=0.25, cover=(0.93, 1.0), refused=(0.0, 0.25)),
    "whole mph, 10 Hz": Bars(median_s=0.08, p95_s=0.25, cover=(0.93, 1.0), refused=(0.0, 0.25)),
    "1 Hz": Bars(p95_s=0.25, cover=(0.93, 1.0), refused=(0.0, 0.6)),
}


@dataclass(frozen=True)
class Window:
    """A stretch of a drive, footage time in seconds."""

    drive: str
    start_s: float
    end_s: float


def truth(drive: str) -> tuple[Array, Array]:
    """Footage time and true speed, m/s."""
    table = np.genfromtxt(SHARED_DATA / drive / "speed.csv", delimiter=",", skip_header=1)
    return table[:, 0], table[:, 1]


def clip_of(drive: str) -> Path:
    """The drive's pictures."""
    return SHARED_DATA / drive / f"{drive}.mp4"


def windows(drive: str, length_s: float) -> list[Window]:
    """All windows of a drive in which the speed changes enough."""
    t_s, speed = truth(drive)
    out = []
    for wide_s, apart_s in LENGTHS_S.items():
        for start_s in np.arange(0.0, length_s - wide_s + 0.01, apart_s):
            inside = (t_s >= start_s) & (t_s <= start_s + wide_s)
            if np.ptp(speed[inside]) >= LEAST_CHANGE_MPS[drive]:
                out.append(Window(drive, float(start_s), float(start_s + wide_s)))
    return out


def log_of(
    window: Window,
    *,
    lag_s: tuple[float, float],
    rate_hz: float,
    rng: np.random.Generator,
    step_mps: float = 0.0,
    when: Callable[[Array], Array] = lambda t_s: t_s,
) -> Series:
    """What a receiver logs around a window; `when` gives the drive's time for each of the log."""
    t_s, speed = truth(window.drive)
    fine = np.arange(window.start_s - 3.0, window.end_s + 6.0, 0.01)
    inside = (when(fine) >= t_s[0]) & (when(fine) <= t_s[-1])
    fine = fine[inside]
    driven = np.interp(when(fine), t_s, speed)
    late_s = sum(lag_s)
    at = np.arange(fine[0] + rng.uniform(0, 1 / rate_hz) + late_s, fine[-1] + late_s, 1 / rate_hz)
    shown = apply_receiver(fine, driven, delay_s=lag_s[0], smoothing_s=lag_s[1], at_s=at)
    shown = np.clip(shown + rng.normal(0, NOISE_MPS, len(at)), 0, None)
    if step_mps:
        shown = np.round(shown / step_mps) * step_mps
    return Series("speed_mps", at + CLOCK_S, shown)


def film_of(window: Window) -> Film:
    """The pictures of a window."""

    def frames(width: int) -> LumaFrames:
        return luma_frames(
            clip_of(window.drive), width=width, start_s=window.start_s, end_s=window.end_s
        )

    return Film(lambda: frames(320), lambda: frames(640))


def tried(window: Window, others: list[Window]) -> dict[str, list[Outcome]]:
    """Outcomes of right logs by kind, and of wrong ones (answered where the error is a number)."""
    film = film_of(window)
    rng = np.random.default_rng([20261127, len(window.drive), int(10 * window.start_s)])
    lag_s = LAGS_S[int(rng.integers(len(LAGS_S)))]
    out: dict[str, list[Outcome]] = {}
    for kind, rate_hz, step_mps in (
        ("10 Hz", 10.0, 0.0),
        ("whole mph, 10 Hz", 10.0, MPH),
        ("1 Hz", 1.0, 0.0),
    ):
        log = log_of(window, lag_s=lag_s, rate_hz=rate_hz, rng=rng, step_mps=step_mps)
        out[kind] = [outcome(film.offset(log)[0], CLOCK_S + sum(lag_s))]
    middle_s = (window.start_s + window.end_s) / 2
    wrong: list[tuple[str, Window, Callable[[Array], Array]]] = [
        ("backward", window, lambda t: 2 * middle_s - t),
        ("stretched", window, lambda t: middle_s + 1.05 * (t - middle_s)),
        ("stretched", window, lambda t: middle_s + 0.95 * (t - middle_s)),
    ]
    apart = [
        w
        for w in others
        if w.drive != window.drive or w.start_s >= window.end_s or w.end_s <= window.start_s
    ]
    for k in rng.choice(len(apart), WRONG_WINDOWS, replace=False):
        wrong.append(("elsewhere", apart[k], lambda t: t))
    for kind, place, when in wrong:
        log = log_of(place, lag_s=lag_s, rate_hz=10.0, rng=rng, when=when)
        found = outcome(film.offset(log)[0], CLOCK_S + sum(lag_s))
        out.setdefault(kind, []).append(found)
    return out


def measure(processes: int) -> int:
    """Print all lines; how many miss a bar."""
    if not clip_of("street").is_file():
        print(f"{'street':<{NAME_WIDTH}} skipped: there is no file {clip_of('street')}")
        return 0
    judged = windows("street", 40.0) + windows("traffic", 15.7)
    shown = windows("town", 27.6)
    every = judged + shown
    with ProcessPoolExecutor(processes) as pool:
        found = list(pool.map(tried, every, [every] * len(every)))
    missed = 0
    for name, some in (("streets", found[: len(judged)]), ("town", found[len(judged) :])):
        for kind, bars in BARS.items():
            score = Score(f"{name}, {kind}", [o for each in some for o in each[kind]])
            used = bars if name == "streets" else Bars(refused=(0.0, 1.0))
            print(score.line(used), flush=True)
            missed += bool(score.missed(used))
            halves = [1.96 * o.sigma_s for o in score.outcomes if np.isfinite(o.sigma_s)]
            if halves:
                print(f"{'':<{NAME_WIDTH}} half interval, median: {np.median(halves):.3f} s")
    for kind in ("elsewhere", "backward", "stretched"):
        all_ = [o for each in found for o in each.get(kind, [])]
        accepted = sum(bool(np.isfinite(o.error_s)) for o in all_)
        print(f"wrong logs, {kind}: {accepted} of {len(all_)} accepted")
        missed += kind != "stretched" and accepted > 0
    return missed


def main() -> int:
    """Measure and print; 1 when a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    print(HEADER)
    return int(measure(options.processes) > 0)


if __name__ == "__main__":
    sys.exit(main())
