"""Accuracy of the offset from rendered footage: scenes times launches, one table.

Run ``python -m tests.benchmarks.accuracy.footage [LAUNCHES] [SCENE ...]`` from the checkout; three
launches of all scenes take about five minutes of one core. Pictures are rendered at 320 x 180 and
measured without an encoder between; the receiver records 10 and 1 values a second with noise of
0.07 m/s, delayed and smoothed by 0.95 s in all.

Scored as ``score.py`` says; the bars are those of all scenes together, at each rate of the log, and
again of the same clips cut off before the vehicle slows down: what then cannot be told must show in
the interval. Of the signal alone, `lag` is fitted together with gain and a share of gain that
follows the acceleration, `plain` with the gain only; `ratio` is the gain while pulling away over
the gain while braking.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from overlay.demo.recorder import Receiver, record_speed
from overlay.demo.vehicle import DemoVehicle, Drive, Motion, simulate
from overlay.footage.model import LumaFrame
from overlay.motion import MotionSignal, motion_signal, used
from overlay.series import Series
from overlay.sync.estimate import estimate_offset
from overlay.sync.model import Alignment
from tests.benchmarks.accuracy.score import (
    HEADER,
    MUST_REFUSE,
    NAN,
    Bars,
    Outcome,
    Score,
    outcome,
    pooled,
)
from tests.simulation import motion_from_speed
from tests.trial_scene import TrialRide, TrialSpec, trial_pictures

Array = npt.NDArray[np.float64]
BASE = TrialSpec(width=320, height=180)
FAST = DemoVehicle(
    torque_nm=(9.0, 12.6, 14.0, 13.9, 13.7, 12.9, 9.5), governor_rpm=5200.0, limiter_rpm=5100.0
)
STEPS_MPS = {"whole km/h": 1 / 3.6, "whole mph": 0.44704}
BARS = {
    10.0: Bars(median_s=0.008, p95_s=0.030, cover=(0.90, 1.0)),
    1.0: Bars(median_s=0.025, cover=(0.90, 1.0)),
}
LONE = Bars(cover=(0.90, 1.0))  # of clips that end before the vehicle slows down
QUICK = ("plain", "low light", "turn of 90 degrees", "whole mph")


def _open_view(**changes: object) -> TrialSpec:
    return replace(BASE, bodywork=False, **changes)  # type: ignore[arg-type]


SCENES: dict[str, TrialSpec] = {
    "plain": BASE,
    "pitch 0.22": replace(BASE, ride=TrialRide(pitch_deg_per_mps2=0.22)),
    "asphalt, high, long lens": _open_view(
        surface="asphalt", height_m=1.2, pitch_deg=8.0, focal_widths=0.8
    ),
    "faint texture": replace(BASE, surface="smooth", contrast=0.7),
    "low light": replace(BASE, light=0.15),
    "exposure drift": replace(BASE, exposure_drift=0.25),
    "long exposure": replace(BASE, exposure_s=1 / 32),
    "24 a second": replace(BASE, frame_rate_hz=24.0, exposure_s=1 / 50),
    "60 a second": replace(BASE, frame_rate_hz=60.0),
    "120 a second": replace(BASE, frame_rate_hz=120.0),
    "uneven, repeats": replace(BASE, vfr_jitter=0.2, duplicate_share=0.05),
    "backward": _open_view(facing="backward"),
    "left": _open_view(facing="left"),
    "right": _open_view(facing="right"),
    "another cart": replace(BASE, passing_at_s=5.0),
    "burnt-in readout": replace(BASE, readout_lag_s=1.0),
    "hand-held start": replace(BASE, ride=TrialRide(handheld_until_s=1.4)),
    "turn of 90 degrees": replace(BASE, ride=TrialRide(turn_deg=90.0), surface="apron"),
    "strong shake": replace(BASE, ride=TrialRide(bump_deg=0.6, vibration_deg=0.2, roll_deg=1.0)),
    "whole km/h": BASE,
    "whole mph": BASE,
}


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
    return simulate(FAST if rng.random() < 0.5 else DemoVehicle(), drive)


def rendered(spec: TrialSpec, motion: Motion, rng: np.random.Generator) -> list[LumaFrame]:
    """The pictures of one launch, with its own shake."""
    import cv2

    spec = replace(spec, ride=replace(spec.ride, rng_seed=int(rng.integers(1 << 30))))
    return [
        LumaFrame(t_s, cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY))
        for t_s, picture in trial_pictures(spec, motion)
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


def until_lift(signal: MotionSignal, motion: Motion) -> MotionSignal:
    """The signal of a clip that ends just before the driver lifts."""
    keep = signal.t_s < motion.t_s[np.argmax(motion.speed_mps)] - 0.2
    columns = ("t_s", "span_s", "forward", "quality", "sigma")
    return replace(signal, **{name: getattr(signal, name)[keep] for name in columns})


def good_scenes(launches: int, names: list[str]) -> int:
    """The lines of scenes that can be told; how many bars are missed."""
    every: dict[float, list[Score]] = {rate: [] for rate in BARS}
    lone = {rate: Score(f"launch alone in view, {rate:g} Hz") for rate in BARS}
    for name in names:
        number = list(SCENES).index(name)  # so that a scene named alone sees the same launches
        scores = {rate: Score(f"{name}, {rate:g} Hz") for rate in BARS}
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
            for rate, score in scores.items():
                step = STEPS_MPS.get(name, 0.0)
                log, true_s = record(motion, rng, rate_hz=rate, step_mps=step)
                score.outcomes.append(outcome(estimate_offset(signal, log), true_s))
                if signal.reason is None:
                    alone = estimate_offset(until_lift(signal, motion), log)
                    lone[rate].outcomes.append(outcome(alone, true_s))
        found = np.array(numbers) if numbers else np.full((1, 4), NAN)
        lag, plain = np.median(np.abs(found[:, :2]), axis=0) * 1e3
        about = (
            f"lag {lag:.1f} plain {plain:.1f} correlation {np.median(found[:, 2]):.4f} "
            f"ratio {np.median(found[:, 3]):.3f}; {np.median(costs) * 1e3:.1f} ms CPU a frame"
        )
        for rate, score in scores.items():
            print(score.line() + (about if rate == max(BARS) else ""), flush=True)
            every[rate].append(score)
    missed = 0
    for rate, bars in BARS.items():
        score = pooled(f"all scenes, {rate:g} Hz", every[rate])
        print(score.line(bars))
        missed += bool(score.missed(bars))
    for score in lone.values():
        print(score.line(LONE))
        missed += bool(score.missed(LONE))
    return missed


def hopeless(launches: int) -> Iterator[Score]:
    """Scenes that cannot be told."""
    at_s = np.arange(0, 12, 0.001)
    steady = motion_from_speed(at_s, np.full(len(at_s), 8.0))
    cruising = motion_from_speed(at_s, 8.0 + 0.1 * np.sin(0.9 * at_s))
    standing = motion_from_speed(at_s, np.zeros(len(at_s)))
    in_hand = replace(BASE, ride=TrialRide(handheld_until_s=12.0))
    idling = replace(BASE, ride=TrialRide(vibration_deg=0.3, bump_deg=0.5))
    cases: dict[str, tuple[TrialSpec, Motion | str, Motion | str | None]] = {
        "constant speed": (BASE, steady, None),
        "camera stands": (BASE, standing, "run"),
        "dark lens": (replace(BASE, dark=True), "run", None),
        "log of another day": (BASE, "run", "other"),
        "log of another run": (BASE, "run", "run"),
        "log standing still": (BASE, "run", standing),
        "log of constant speed": (BASE, "run", steady),
        "cruising, 0.1 m/s to and fro": (BASE, cruising, None),
        "camera stands, a cart passes": (replace(BASE, passing_at_s=4.0), standing, "run"),
        "held in the hand beside the lane": (in_hand, standing, "run"),
        "stands with the engine running": (idling, standing, "run"),
        "picture frozen": (replace(BASE, noise_codes=0.0), "frozen", "run"),
    }
    for number, (name, (spec, filmed, logged)) in enumerate(cases.items()):
        score = Score(name)
        for k in range(launches):
            rng = np.random.default_rng([20260517, number, k])
            motion = launch(rng) if isinstance(filmed, str) else filmed
            frames = rendered(spec, motion, rng)
            if filmed == "frozen":
                frames = [LumaFrame(frame.t_s, frames[0].luma) for frame in frames]
            source = launch(rng) if logged == "run" else other_run(rng)
            if logged is None:
                source = motion
            elif isinstance(logged, Motion):
                source = logged
            signal = motion_signal(frames)
            log, there_s = record(source, rng, rate_hz=10.0)
            found = estimate_offset(signal, log)
            wrong = found.determined and not is_twin(found, motion, source, there_s)
            score.outcomes.append(Outcome(0.0 if wrong else NAN, False, reason=found.reason or ""))
            if found.determined:
                print(f"    {'answered' if wrong else 'near twin'}: {name}: {found.interval_s}")
        yield score


def is_twin(found: Alignment, filmed: Motion, logged: Motion, offset_s: float) -> bool:
    """Whether launch and stop of two runs lie in one interval: then no one can tell them apart."""
    if found.interval_s is None or not np.any(filmed.speed_mps > 0.3):
        return False
    ends = [m.t_s[np.flatnonzero(m.speed_mps > 0.3)[[0, -1]]] for m in (filmed, logged)]
    low, high = found.interval_s
    offsets_s = offset_s + ends[1] - ends[0]
    return bool(np.all((low <= offsets_s) & (offsets_s <= high)))


def other_run(rng: np.random.Generator) -> Motion:
    """Another day: short hops with stops, nothing like a run down the taxiway."""
    t_s = np.arange(0, 24, 0.001)
    knots = np.cumsum(rng.uniform(1.2, 3.0, 14))
    levels = rng.uniform(0, 9, 14)
    levels[::3] = 0.0
    return motion_from_speed(t_s, np.interp(t_s, knots, levels, left=0.0))


def measure(launches: int, names: list[str], *, refusals: bool = True) -> int:
    """Print scenes that can be told, then those that must be refused; how many bars are missed."""
    missed = good_scenes(launches, names)
    for score in hopeless(launches) if refusals else ():
        print(score.line(MUST_REFUSE), flush=True)
        missed += bool(score.missed(MUST_REFUSE))
    return missed


def main() -> int:
    """All scenes, or those named."""
    launches = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    names = sys.argv[2:]
    print(HEADER)
    return int(measure(launches, names or list(SCENES), refusals=not names) > 0)


if __name__ == "__main__":
    sys.exit(main())
