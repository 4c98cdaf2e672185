"""Accuracy of the offset from rendered footage: scenes times launches, one table.

Run ``python -m tests.benchmarks.accuracy.footage [LAUNCHES] [SCENE ...]`` from the checkout; three
launches of all scenes take about eight minutes of one core. Pictures are rendered at 320 x 180 and
measured without an encoder between; the receiver records 10 and 1 values a second with noise of
0.07 m/s, delayed and smoothed by 0.95 s in all.

Scoring: the error is the offset found less the true one. `cover` is the share of 95 % intervals
that hold the truth, `refused` counts launches without an answer. Of the signal alone, `lag` is
fitted together with gain and a share of gain that follows the acceleration, `plain` with the gain
only; `ratio` is the gain while pulling away over the gain while braking.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from overlay.demo.camera import Ride
from overlay.demo.ground import GroundKind
from overlay.demo.recorder import Receiver, record_speed
from overlay.demo.scene import SceneSpec, pictures
from overlay.demo.vehicle import Drive, Motion, Vehicle, motion_from_speed, simulate
from overlay.footage.model import LumaFrame
from overlay.motion import MotionSignal, motion_signal, used
from overlay.series import Series
from overlay.sync.estimate import estimate_offset

Array = npt.NDArray[np.float64]
BASE = SceneSpec(width=320, height=180)
FAST = Vehicle(
    torque_nm=(9.0, 12.6, 14.0, 13.9, 13.7, 12.9, 9.5), governor_rpm=5200.0, limiter_rpm=5100.0
)
KMH = 1 / 3.6


def _open_view(**changes: object) -> SceneSpec:
    return replace(BASE, bodywork=False, **changes)  # type: ignore[arg-type]


SCENES: dict[str, SceneSpec] = {
    "plain": BASE,
    "pitch 0.22": replace(BASE, ride=Ride(pitch_deg_per_mps2=0.22)),
    "asphalt, high, long lens": _open_view(
        ground=GroundKind(surface="asphalt"), height_m=1.2, pitch_deg=8.0, focal_widths=0.8
    ),
    "faint texture": replace(BASE, ground=GroundKind(surface="smooth", contrast=0.7)),
    "low light": replace(BASE, light=0.15),
    "exposure drift": replace(BASE, exposure_drift=0.25),
    "long exposure": replace(BASE, exposure_s=1 / 32),
    "24 a second": replace(BASE, frame_rate_hz=24.0, exposure_s=1 / 50),
    "60 a second": replace(BASE, frame_rate_hz=60.0),
    "120 a second": replace(BASE, frame_rate_hz=120.0),
    "uneven, repeats": replace(BASE, vfr_jitter=0.2, duplicate_share=0.05),
    "backward": _open_view(facing="backward"),
    "left": _open_view(facing="left"),
    "another cart": replace(BASE, passing_at_s=5.0),
    "burnt-in readout": replace(BASE, readout_lag_s=1.0),
    "hand-held start": replace(BASE, ride=Ride(handheld_until_s=1.4)),
    "turn of 90 degrees": replace(BASE, ride=Ride(turn_deg=90.0), ground=GroundKind(endless=True)),
    "strong shake": replace(BASE, ride=Ride(bump_deg=0.6, vibration_deg=0.2, roll_deg=1.0)),
    "whole km/h": BASE,
}


@dataclass(eq=False)
class Score:
    """Errors and intervals of one group."""

    errors_s: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    refused: int = 0

    def line(self) -> str:
        """Median, 95th percentile, coverage, refusals."""
        if not self.errors_s:
            return f"{'-':>6} {'-':>6} {'-':>5} {self.refused:>3}"
        size = np.abs(self.errors_s) * 1e3
        return (
            f"{np.median(size):6.1f} {np.percentile(size, 95):6.1f} "
            f"{np.mean(self.covered):5.2f} {self.refused:>3}"
        )


def launch(rng: np.random.Generator) -> Motion:
    """One run as a day has them."""
    drive = Drive(
        go_s=float(rng.uniform(1.5, 2.5)),
        opening_s=float(rng.uniform(0.12, 0.4)),
        power=float(rng.normal(1.0, 0.02)),
        headwind_mps=float(rng.normal(0.0, 0.6)),
        braking_mps2=float(rng.normal(4.3, 0.3)),
        lift_at_m=float(rng.uniform(50, 80)),
    )
    return simulate(FAST if rng.random() < 0.5 else Vehicle(), drive)


def rendered(spec: SceneSpec, motion: Motion, rng: np.random.Generator) -> list[LumaFrame]:
    """The pictures of one launch, with its own shake."""
    import cv2

    spec = replace(spec, ride=replace(spec.ride, rng_seed=int(rng.integers(1 << 30))))
    return [
        LumaFrame(t_s, cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY))
        for t_s, picture in pictures(spec, motion)
    ]


def record(
    motion: Motion, rng: np.random.Generator, *, rate_hz: float, step_mps: float = 0.0
) -> tuple[Series, float]:
    """What the receiver logs, and the true offset."""
    receiver = Receiver(
        rate_hz=rate_hz, before_s=float(rng.uniform(9, 28)), rng_seed=int(rng.integers(1 << 30))
    )
    log = record_speed(motion, receiver)
    speed = np.round(log.speed_mps / step_mps) * step_mps if step_mps else log.speed_mps
    return Series("speed_mps", log.log_s, speed), log.total_offset_s


def mean_speed(motion: Motion, signal: MotionSignal, late_s: float) -> Array:
    """True mean speed over each pair, shown late."""
    half = signal.span_s / 2
    ends = [motion.at("distance_m", signal.t_s - late_s + side * half) for side in (-1, 1)]
    return np.asarray((ends[1] - ends[0]) / signal.span_s)


def signal_numbers(motion: Motion, signal: MotionSignal) -> tuple[float, float, float, float]:
    """Lag with and without the share that follows acceleration, correlation, ratio of gains."""
    from scipy.ndimage import gaussian_filter1d
    from scipy.optimize import least_squares

    keep = used(signal)
    accel = np.interp(signal.t_s, motion.t_s, gaussian_filter1d(motion.accel_mps2, 80))
    weight = keep / np.hypot(signal.sigma, 0.005 + 0.01 * np.abs(signal.forward))

    def lag(share: float) -> float:
        def misfit(p: Array) -> Array:
            shown = p[0] * mean_speed(motion, signal, p[1]) * (1 + share * p[2] * accel)
            return np.asarray(weight * (signal.forward - shown))

        found = least_squares(misfit, [0.1, 0.0, 0.0], x_scale=[0.01] * 3, loss="soft_l1")
        return float(found.x[1])

    truth = mean_speed(motion, signal, 0.0)
    correlation = float(np.corrcoef(signal.forward[keep], truth[keep])[0, 1])
    fast = keep & (truth > 0.3 * truth.max())
    pulls, brakes = fast & (accel > 0.5), fast & (accel < -1.5)
    gains = [signal.forward[k].sum() / max(truth[k].sum(), 1e-9) for k in (pulls, brakes)]
    return lag(1.0), lag(0.0), correlation, float(gains[0] / gains[1])


def judge(scores: Iterable[Score], signal: MotionSignal, log: Series, true_s: float) -> None:
    """Estimate once and take the score."""
    found = estimate_offset(signal, log)
    for score in scores:
        if not found.determined or found.total_offset_s is None or found.interval_s is None:
            score.refused += 1
            continue
        score.errors_s.append(found.total_offset_s - true_s)
        score.covered.append(found.interval_s[0] <= true_s <= found.interval_s[1])


def good_scenes(launches: int, names: list[str]) -> None:
    """The table of scenes that can be told."""
    rates = (10.0, 1.0)
    every = {rate: Score() for rate in rates}
    columns = f"{'median':>6} {'95 %':>6} {'cover':>5} ref"
    told = f"{'lag':>5} {'plain':>5} {'corr':>6} ratio {'CPU':>4}"
    print(f"{'errors and lags in ms':>26} | {'10 Hz':22} | {'1 Hz':22} | signal, CPU ms a frame")
    print(f"{'':>26} | {columns} | {columns} | {told}")
    for number, name in enumerate(names):
        scores = {rate: Score() for rate in rates}
        numbers, costs = [], []
        for k in range(launches):
            rng = np.random.default_rng([20260516, number, k])
            motion = launch(rng)
            frames = rendered(SCENES[name], motion, rng)
            began = time.process_time()
            signal = motion_signal(frames)
            costs.append((time.process_time() - began) / len(frames))
            if signal.reason is None:
                numbers.append(signal_numbers(motion, signal))
            for rate in rates:
                step = KMH if name == "whole km/h" else 0.0
                log, true_s = record(motion, rng, rate_hz=rate, step_mps=step)
                judge((scores[rate], every[rate]), signal, log, true_s)
        found = np.array(numbers) if numbers else np.full((1, 4), np.nan)
        lag, plain = np.median(np.abs(found[:, :2]), axis=0) * 1e3
        print(
            f"{name:>26} | {scores[10.0].line()} | {scores[1.0].line()} | "
            f"{lag:5.1f} {plain:5.1f} {np.median(found[:, 2]):.4f} {np.median(found[:, 3]):.3f} "
            f"{np.median(costs) * 1e3:4.1f}",
            flush=True,
        )
    print(f"{'all':>26} | {every[10.0].line()} | {every[1.0].line()}")


def hopeless(launches: int) -> Iterator[tuple[str, int, int]]:
    """Scenes that cannot be told: name, refusals, tries."""
    steady_s = np.arange(0, 12, 0.001)
    steady = motion_from_speed(steady_s, np.full(len(steady_s), 8.0))
    standing = motion_from_speed(steady_s, np.zeros(len(steady_s)))
    cases = {
        "constant speed": (BASE, steady, None),
        "camera stands": (BASE, standing, "run"),
        "dark lens": (replace(BASE, dark=True), "run", None),
        "log of another run": (BASE, "run", "other"),
        "log standing still": (BASE, "run", standing),
    }
    for number, (name, (spec, filmed, logged)) in enumerate(cases.items()):
        refused = 0
        for k in range(launches):
            rng = np.random.default_rng([20260517, number, k])
            motion = launch(rng) if isinstance(filmed, str) else filmed
            source = launch(rng) if logged == "run" else other_run(rng)
            if logged is None:
                source = motion
            elif isinstance(logged, Motion):
                source = logged
            signal = motion_signal(rendered(spec, motion, rng))
            log, _ = record(source, rng, rate_hz=10.0)
            found = estimate_offset(signal, log)
            refused += not found.determined
            if found.determined:
                print(f"    answered: {name}: {found.total_offset_s} {found.interval_s}")
        yield name, refused, launches


def other_run(rng: np.random.Generator) -> Motion:
    """Another day: short hops with stops, nothing like a run down the taxiway."""
    t_s = np.arange(0, 24, 0.001)
    knots = np.cumsum(rng.uniform(1.2, 3.0, 14))
    levels = rng.uniform(0, 9, 14)
    levels[::3] = 0.0
    return motion_from_speed(t_s, np.interp(t_s, knots, levels, left=0.0))


def main() -> None:
    """All scenes, then those that must be refused."""
    launches = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    names = sys.argv[2:] or list(SCENES)
    good_scenes(launches, names)
    if len(sys.argv) <= 2:
        for name, refused, tries in hopeless(launches):
            print(f"{name:>26} | refused {refused} of {tries}", flush=True)


if __name__ == "__main__":
    main()
