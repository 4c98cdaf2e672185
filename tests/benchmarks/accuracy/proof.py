"""How far verification can be believed: rendered footage whose estimate is biased by a known lag.

Run ``python -m tests.benchmarks.accuracy.proof [LAUNCHES] [SCENE ...]`` from the checkout; one
launch of all scenes takes about ten minutes of one core. A receiver's record at 10 Hz is corrected
as ``draw`` does it, but with a lag that is wrong by a bias; what the ribbon would show is judged
by corners followed through the picture, as ``timetrue verify`` does on a clip without sound. Then
300 engines are heard beside true speeds, most of them over a drive that slips or under other noise
(``python -m tests.benchmarks.accuracy.proof 0`` for these alone), and windows of real driving are
judged with their true speed.

`passed` counts clips that end with exit code 0 at each bias, `meant` how many of those at 20 ms
may by the check's own figure, `late` clips that end with exit code 6 though nothing is late.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter1d

from overlay.demo.recorder import Receiver, record_speed
from overlay.demo.vehicle import Motion
from overlay.runs.smoother import smooth
from overlay.series import Series
from overlay.timebase import FloatArray
from overlay.verify import Check, check_motion
from overlay.verify.corners import follow_corners
from overlay.verify.finished import CORNERS_WIDTH
from overlay.verify.ground import Pace, pace_of
from overlay.verify.heard import check_heard
from overlay.verify.verdict import passes
from tests.benchmarks.accuracy.footage import SCENES, launch, rendered
from tests.conftest import SHARED_DATA

BIASES_S = (0.0, 0.02, -0.02, 0.04, -0.04, 0.08, -0.08)
HARD = ("faint texture", "low light", "long exposure", "strong shake", "turn of 90 degrees")
ENGINES = 300
WINDOWS_S, STEP_S = (15.0, 20.0, 30.0), 2.5


@dataclass(eq=False)
class Proof:
    """Counts of one group of clips."""

    checks: list[tuple[float, Check]] = field(default_factory=list)

    def line(self, name: str) -> str:
        """The group as a line of the table."""
        tries = len(self.checks) // len(BIASES_S)
        passed = Counter(abs(bias) for bias, check in self.checks if check.outcome == "no lag")
        meant = sum(
            passes(0.02, check.half_s)
            for bias, check in self.checks
            if abs(bias) == 0.02 and check.interval_s
        )
        late = sum(bias == 0 and check.outcome == "lag" for bias, check in self.checks)
        halves = [1000 * c.half_s for bias, c in self.checks if bias == 0 and c.interval_s]
        half = f"{np.median(halves):4.0f}" if halves else "   -"
        counts = (
            f"{passed[0.0]:6d} {passed[0.02]:6d} {meant:5.1f} {passed[0.04]:6d} {passed[0.08]:6d}"
        )
        return f"{name:>26} {tries:5d} {counts} {late:5d} {half}"


def drawn(motion: Motion, bias_s: float, rng: np.random.Generator) -> Series:
    """What a ribbon shows when the lag taken out is too small by `bias_s`."""
    receiver = Receiver(before_s=10.0, rng_seed=int(rng.integers(1 << 30)))
    record = record_speed(motion, receiver)
    kinematics = smooth(
        Series("speed_mps", record.log_s, record.speed_mps),
        delay_s=record.total_offset_s - receiver.smoothing_s - bias_s,
        smoothing_s=receiver.smoothing_s,
        timing_sigma_s=0.005,
        start_s=0.0,
        end_s=motion.duration_s,
    )
    known = kinematics.known
    return Series("speed_mps", kinematics.t_s[known], kinematics.speed_mps[known])


def judged(pace: Pace, motion: Motion, rng: np.random.Generator) -> Proof:
    """One clip at each bias."""
    speeds = [(bias, drawn(motion, bias, rng)) for bias in BIASES_S]
    return Proof([(bias, check_motion(pace, speed, evidence="corners")) for bias, speed in speeds])


def scenes(launches: int, names: list[str]) -> None:
    """The table of rendered clips."""
    groups = {"open ground": Proof(), "all": Proof()}
    print(f"{'':>26} clips passed  20 ms meant  40 ms  80 ms  late  half")
    for number, (name, spec) in enumerate(SCENES.items()):
        if name.startswith("whole") or (names and name not in names):
            continue  # what the log is rounded to does not concern the picture
        group = Proof()
        for k in range(launches):
            rng = np.random.default_rng([20260518, number, k])
            motion = launch(rng)
            size = {"width": CORNERS_WIDTH, "height": CORNERS_WIDTH * 9 // 16}
            pace = pace_of(follow_corners(rendered(replace(spec, **size), motion, rng)))
            group.checks += judged(pace, motion, rng).checks
        print(group.line(name), flush=True)
        groups["all"].checks += group.checks
        groups["open ground"].checks += [] if name in HARD else group.checks
    for name, group in groups.items():
        print(group.line(name))


def engine(kind: str, motion: Motion, rng: np.random.Generator) -> Series:
    """Engine speed heard over a drive, or what is taken for it."""
    t_s = np.arange(0.3, float(motion.t_s[-1]) - 0.3, 0.02)
    speed = np.interp(t_s, motion.t_s, motion.speed_mps)
    accel = gaussian_filter1d(np.interp(t_s, motion.t_s, motion.accel_mps2), 3)
    true = np.interp(t_s, motion.t_s, motion.engine_rpm)
    geared, share = 5200 * speed / speed.max(), speed / speed.max()
    late = np.interp(t_s - rng.uniform(0.2, 0.8), motion.t_s, motion.speed_mps) / speed.max()
    some = rng.uniform(0, 1)
    push = np.maximum(accel, 0) / 3
    revs = {
        "true": true,
        "wrong octave": true / 2,
        "octave jumps": true * np.where((t_s / (1 + 2 * some)).astype(int) % 2, 1.0, 0.5),
        "torque converter": np.hypot(geared, (1500 + 1500 * some) * np.sqrt(push + 0.15)),
        "slipping clutch": geared * (1 + (0.05 + 0.15 * some) * push),
        "slip that fades": geared * (1 + 0.3 * some * np.exp(-speed / 4)),
        "belt of sliding ratio": 5200 * share ** (0.3 + 0.5 * some),
        "belt that shifts late": geared * (1 + 0.15 * some * gaussian_filter1d(np.sign(accel), 15)),
        "late sound": 5200 * late,
        "wind": 2500 + 7200 * gaussian_filter1d(rng.normal(size=len(t_s)), 25),
        "wind with the speed": 6000 * late ** (0.5 + 1.5 * some),
        "music": np.repeat(rng.choice([1320.0, 1760, 1980, 2640], len(t_s) // 20 + 1), 20)[
            : len(t_s)
        ],
    }[kind]
    heard: FloatArray = np.maximum(revs, 1700.0) * (1 + 0.003 * rng.normal(size=len(t_s)))
    return Series("engine_rpm", t_s, heard, np.full(len(t_s), 15.0))


ENGINE_KINDS = (
    "true",
    "wrong octave",
    "octave jumps",
    "torque converter",
    "slipping clutch",
    "slip that fades",
    "belt of sliding ratio",
    "belt that shifts late",
    "late sound",
    "wind",
    "wind with the speed",
    "music",
)


def engines(count: int) -> None:
    """How often sound has a vote beside a true speed, and what it is."""
    for number, kind in enumerate(ENGINE_KINDS):
        outcomes: Counter[str] = Counter()
        for k in range(count // len(ENGINE_KINDS)):
            rng = np.random.default_rng([20260519, number, k])
            motion = launch(rng)
            check = check_heard(engine(kind, motion, rng), drawn(motion, 0.0, rng))
            outcomes[check.outcome] += 1
        print(f"{kind:>26}", dict(outcomes), flush=True)


def real(folder: Path) -> None:
    """Windows of real driving with their true speed."""
    from overlay.footage import luma_frames

    for name in ("street", "traffic", "town"):
        clip = folder / name / f"{name}.mp4"
        if not clip.is_file():
            print(f"{name:>26} skipped: there is no file {clip}")
            continue
        pace = pace_of(follow_corners(luma_frames(str(clip), width=CORNERS_WIDTH)))
        t_s, speed = np.genfromtxt(clip.with_name("speed.csv"), delimiter=",", skip_header=1).T
        outcomes: Counter[str] = Counter()
        for length_s in WINDOWS_S:
            for start_s in np.arange(0, pace.t_s[-1] - length_s + 1, STEP_S):
                end_s = start_s + length_s
                part = pace.part((pace.t_s >= start_s) & (pace.t_s <= end_s))
                shown = Series("speed_mps", t_s, speed).between(start_s, end_s)
                outcomes[check_motion(part, shown, evidence="corners").outcome] += 1
        print(f"{name:>26}", dict(outcomes), flush=True)


def main() -> None:
    """The tables."""
    launches = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    if launches:
        scenes(launches, sys.argv[2:])
    if not sys.argv[2:]:
        engines(ENGINES)
        real(SHARED_DATA)


if __name__ == "__main__":
    main()
