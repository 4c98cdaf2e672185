"""Accuracy of runs on simulated days: coverage, launch, marks. Prints one line a question.

Run ``python -m tests.benchmarks.accuracy.runs [RUNS]`` from the checkout; it takes minutes.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from overlay.demo.recorder import Receiver, RevCounter, record_revs, record_speed
from overlay.demo.vehicle import DemoVehicle, Drive, Motion, simulate
from overlay.engine.driveline import Driveline
from overlay.runs.launch import find_launch
from overlay.runs.marks import find_marks
from overlay.runs.model import Kinematics, Launch, Mark, Split
from overlay.runs.smoother import smooth
from overlay.runs.splits import parse_goal, splits
from overlay.series import Series

FAST = DemoVehicle(
    torque_nm=(9.0, 12.6, 14.0, 13.9, 13.7, 12.9, 9.5), governor_rpm=6000.0, limiter_rpm=5100.0
)


ONSET_SIGMA_S = 0.048  # of the onset of motion in a clip of the demo, as the onset claims


@dataclass(frozen=True, eq=False)
class Analysed:
    """One simulated run, and what was made of its logs."""

    motion: Motion
    kinematics: Kinematics
    launch: Launch | None
    marks: tuple[Mark, ...]


def analysed(
    vehicle: DemoVehicle,
    drive: Drive,
    rng: np.random.Generator,
    *,
    rpm_hz: float = 20.0,
    noise_rpm: float = 12.0,
    timing_sigma_s: float = 0.01,
    limiter_known: bool = True,
) -> Analysed:
    """Drive, record with noise, misjudge the lag by one sigma draw, smooth and mark."""
    motion = simulate(vehicle, drive)
    receiver = Receiver(
        delay_s=0.65, smoothing_s=0.3, before_s=10.0, rng_seed=int(rng.integers(1 << 30))
    )
    record = record_speed(motion, receiver)
    counter = RevCounter(rate_hz=rpm_hz, noise_rpm=noise_rpm, rng_seed=int(rng.integers(1 << 30)))
    revs = record_revs(motion, counter)
    log = Series("speed_mps", record.log_s, record.speed_mps)
    delay_s = receiver.delay_s + receiver.before_s + timing_sigma_s * rng.standard_normal()
    kinematics = smooth(
        log,
        delay_s=delay_s,
        smoothing_s=receiver.smoothing_s,
        timing_sigma_s=timing_sigma_s,
        start_s=0.0,
        end_s=motion.duration_s,
    )
    launch = find_launch(kinematics)
    driveline = Driveline(
        (vehicle.ratio,),
        2 * np.pi * vehicle.tyre_radius_m,
        vehicle.limiter_rpm if limiter_known else None,
    )
    rpm = Series("engine_rpm", revs.log_s - counter.clock_offset_s, revs.engine_rpm)
    marks = find_marks(kinematics, launch, rpm=rpm, driveline=driveline)
    return Analysed(motion, kinematics, launch, marks)


def clean_drive(rng: np.random.Generator) -> Drive:
    """A run as a day has them: power, wind and the driver's foot vary."""
    return Drive(
        go_s=float(rng.uniform(1.5, 2.5)),
        opening_s=float(rng.uniform(0.12, 0.4)),
        power=float(rng.normal(1.0, 0.02)),
        headwind_mps=float(rng.normal(0.0, 0.6)),
        braking_mps2=float(rng.normal(4.3, 0.2)),
    )


def spans_of(flag: np.ndarray, t_s: np.ndarray, join_s: float = 0.15) -> list[tuple[float, float]]:
    """Start and end of each true stretch, stretches closer than `join_s` joined."""
    edges = np.flatnonzero(np.diff(np.r_[False, flag, False].astype(int)))
    spans: list[tuple[float, float]] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        start, end = float(t_s[a]), float(t_s[b - 1])
        if spans and start - spans[-1][1] < join_s:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((start, end))
    return spans


def true_spins(motion: Motion) -> list[tuple[float, float]]:
    """Stretches of at least 0.2 s with the wheel 5 % and 0.3 m/s ahead."""
    lead = motion.wheel_speed_mps - motion.speed_mps
    flag = lead > np.maximum(0.3, 0.05 * motion.speed_mps)
    return [s for s in spans_of(flag, motion.t_s) if s[1] - s[0] >= 0.2]


def true_cuts(motion: Motion, limit_rpm: float) -> list[tuple[float, float]]:
    """Stretches of at least 0.2 s from the first cut to the last."""
    spans = spans_of(motion.engine_rpm >= limit_rpm, motion.t_s, join_s=0.5)
    return [s for s in spans if s[1] - s[0] >= 0.2]


def found_share(events: list[tuple[float, float]], marks: tuple[Mark, ...], kind: str) -> int:
    """How many events a mark of the kind overlaps."""
    own = [m for m in marks if m.kind == kind]
    return sum(any(m.start_s <= b and m.end_s >= a for m in own) for a, b in events)


def coverage(runs: int, rng: np.random.Generator) -> None:
    """Share of 95 % intervals that hold the truth; launch and split errors."""
    inside: Counter[str] = Counter()
    seen: Counter[str] = Counter()
    launch_errors, cpu = [], 0.0
    phases: dict[str, list[float]] = {}
    for _ in range(runs):
        began = time.process_time()
        run = analysed(DemoVehicle(), clean_drive(rng), rng, timing_sigma_s=0.0)
        cpu += time.process_time() - began
        k, m = run.kinematics, run.motion
        moving = (k.t_s > m.launch_s) & (m.at("speed_mps", k.t_s) > 0) & (k.speed_sigma_mps > 0)
        apart = np.abs(k.speed_mps - m.at("speed_mps", k.t_s)) <= 1.96 * k.speed_sigma_mps
        for name, part in _phases(m, k.t_s).items():
            phases.setdefault(name, []).extend(apart[moving & part].astype(float))
        for name, value, sigma, truth in (
            ("speed", k.speed_mps, k.speed_sigma_mps, m.at("speed_mps", k.t_s)),
            ("distance", k.distance_m, k.distance_sigma_m, m.at("distance_m", k.t_s)),
        ):
            inside[name] += int(np.sum(np.abs(value - truth)[moving] <= 1.96 * sigma[moving]))
            seen[name] += int(np.sum(moving))
        assert run.launch is not None
        launch_errors.append((run.launch.at_s - m.launch_s, run.launch.sigma_s))
        onset_s = m.launch_s + ONSET_SIGMA_S * rng.standard_normal()
        seen_too = find_launch(k, motion_onset_s=onset_s, motion_onset_sigma_s=ONSET_SIGMA_S)
        for launch, suffix in ((run.launch, ", log alone"), (seen_too, "")):
            for split, truth in _split_truths(run, launch):
                if split.time_s is None or split.sigma_s is None:
                    continue
                name = f"{split.goal.label}{suffix}"
                inside[name] += abs(split.time_s - truth) <= 1.96 * split.sigma_s
                seen[name] += 1
    for name, count in seen.items():
        print(f"coverage of 95 % intervals, {name}: {inside[name] / count:.3f} of {count}")
    for name, found in phases.items():
        print(f"   speed {name}: {np.mean(found):.3f}")
    errors, sigmas = np.array(launch_errors).T
    print(
        f"launch: bias {errors.mean() * 1e3:+.0f} ms, spread {errors.std() * 1e3:.0f} ms, "
        f"stated {np.sqrt(np.mean(sigmas**2)) * 1e3:.0f} ms, "
        f"covered {np.mean(np.abs(errors) <= 1.96 * sigmas):.2f}; {cpu / runs:.2f} s CPU a run"
    )


def _phases(m: Motion, t_s: np.ndarray) -> dict[str, np.ndarray]:
    """Where on the run coverage is told by itself."""
    since, top_s = t_s - m.launch_s, float(m.t_s[np.argmax(m.speed_mps)])
    return {
        "in the first second": (since >= 0) & (since < 1),
        "from 1 to 3 s": (since >= 1) & (since < 3),
        "from 3 s to the lift": (since >= 3) & (t_s < top_s - 0.5),
        "about the lift": np.abs(t_s - top_s) <= 0.5,
        "while braking": t_s > top_s + 0.5,
    }


def _split_truths(run: Analysed, launch: Launch | None) -> list[tuple[Split, float]]:
    m = run.motion
    rolled_s = m.split_to_distance(0.3048)
    goals = [parse_goal(g) for g in ("5 m/s", "8 m/s", "18.288 m", "50 m")]
    rolled = [parse_goal(g) for g in ("8 m/s rollout", "18.288 m rollout", "50 m rollout")]
    truths = [m.split_to_speed(5), m.split_to_speed(8)]
    truths += [m.split_to_distance(18.288), m.split_to_distance(50)]
    truths += [m.split_to_speed(8) - rolled_s]
    truths += [m.split_to_distance(d + 0.3048) - rolled_s for d in (18.288, 50)]
    found = splits(run.kinematics, launch, [*goals, *rolled])
    return list(zip(found, truths, strict=True))


def marks_on_clean(runs: int, rng: np.random.Generator) -> None:
    """False marks; the clutch slip at launch is true, the run's end no lift."""
    false: Counter[str] = Counter()
    slips = 0
    for i in range(runs):
        vehicle = DemoVehicle() if i % 2 else replace(FAST, limiter_rpm=7000.0)
        noise = float(rng.choice([12.0, 40.0]))
        run = analysed(vehicle, clean_drive(rng), rng, noise_rpm=noise, limiter_known=i % 4 < 2)
        for mark in run.marks:
            if mark.kind == "clutch slip":
                slips += 1
            else:
                false[mark.kind] += 1
                print("   false:", i, noise, mark)
    print(f"false marks in {runs} clean runs: {dict(false) or 0}; clutch slip told in {slips}")


def marks_on_spins(runs: int, rng: np.random.Generator) -> None:
    """Wheelspin on patches of gravel of all kinds."""
    events = found = 0
    for _ in range(runs):
        at_m = float(rng.uniform(0.5, 25))
        drive = replace(
            clean_drive(rng),
            loose_from_m=at_m,
            loose_to_m=at_m + float(rng.uniform(1.5, 6.0)),
            loose_grip=float(rng.uniform(0.08, 0.2)),
        )
        noise = float(rng.choice([12.0, 40.0]))
        run = analysed(FAST, drive, rng, noise_rpm=noise, rpm_hz=float(rng.choice([20.0, 50.0])))
        true = true_spins(run.motion)
        got = found_share(true, run.marks, "wheelspin")
        events, found = events + len(true), found + got
        if got < len(true):
            print(
                "   missed:",
                true,
                [(m.kind, round(m.start_s, 2), round(m.end_s, 2)) for m in run.marks],
            )
    print(f"wheelspin of 0.2 s or longer: {found} of {events} found")


def marks_on_cuts(runs: int, rng: np.random.Generator) -> None:
    """Limiter cuts of all lengths."""
    events = found = 0
    for _ in range(runs):
        vehicle = replace(FAST, limiter_rpm=float(rng.uniform(3500, 4300)))
        drive = replace(clean_drive(rng), lift_at_m=float(rng.uniform(40, 70)))
        noise = float(rng.choice([12.0, 25.0]))
        rpm_hz = float(rng.choice([20.0, 50.0]))
        run = analysed(
            vehicle,
            drive,
            rng,
            noise_rpm=noise,
            rpm_hz=rpm_hz,
            limiter_known=bool(rng.random() < 0.5),
        )
        true = true_cuts(run.motion, vehicle.limiter_rpm)
        got = found_share(true, run.marks, "limiter cut")
        events, found = events + len(true), found + got
        if got < len(true):
            print(
                "   missed:", noise, rpm_hz, true, [(m.kind, m.start_s, m.end_s) for m in run.marks]
            )
    print(f"limiter cuts of 0.2 s or longer: {found} of {events} found")


def main() -> None:
    """Run everything with one stream of random numbers."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    wanted = sys.argv[2:] or ["coverage", "clean", "spins", "cuts"]
    rng = np.random.default_rng(20260516)
    parts = {
        "coverage": coverage,
        "clean": marks_on_clean,
        "spins": marks_on_spins,
        "cuts": marks_on_cuts,
    }
    for name in wanted:
        parts[name](runs, rng)


if __name__ == "__main__":
    main()
