"""How far verification can be believed: rendered footage with a speed that is late by a known lag.

Run ``python -m tests.benchmarks.accuracy.proof [LAUNCHES] [SCENE ...]`` from the checkout; two
launches of all scenes take about six minutes of one core. The speed shown is the true one, late by
a lag and with the slow error that a corrected speed has (0.05 m/s over half a second). Only corners
followed through the picture are used, as ``timetrue verify`` does on a clip without sound.

Scoring: `cleared` is the share of clips without lag that are not called late or early (95 % meant),
`caught` the share of clips late or early by just the smallest lag that the check says it would have
caught, and called so (80 % meant), `told` how small that lag is in the middle, in ms.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, replace

import numpy as np

from overlay.demo.vehicle import Motion
from overlay.motion import MotionSignal
from overlay.series import Series
from overlay.timebase import FloatArray
from overlay.verify import Check, check_motion
from overlay.verify.corners import follow_corners
from overlay.verify.finished import CORNERS_WIDTH
from overlay.verify.ground import corner_motion
from overlay.verify.verdict import smallest_caught_s
from tests.benchmarks.accuracy.footage import SCENES, launch, rendered

STEP_S, ERROR_MPS, ERROR_S = 1 / 30, 0.05, 0.5
DRAWS = 3


@dataclass(eq=False)
class Proof:
    """Counts of one group."""

    cleared: list[bool] = field(default_factory=list)
    caught: list[bool] = field(default_factory=list)
    told_s: list[float] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)

    def add(self, other: Proof) -> None:
        """Take in another group."""
        for name, values in vars(other).items():
            getattr(self, name).extend(values)

    def line(self, name: str) -> str:
        """The group as a line of the table."""
        tries = len(self.cleared) + len(self.reasons)
        shares = [
            f"{100 * np.mean(s):5.0f} %" if s else "      -" for s in (self.cleared, self.caught)
        ]
        told = f"{1000 * np.median(self.told_s):6.0f}" if self.told_s else "     -"
        return f"{name:>26} {tries:5d} {' '.join(shares)} {told} {len(self.reasons):6d}"


def shown_speed(motion: Motion, late_s: float, rng: np.random.Generator) -> Series:
    """The true speed, late, with the slow error of a corrected speed."""
    from scipy.ndimage import gaussian_filter1d

    t_s = np.arange(0.2, float(motion.t_s[-1]) - 0.2, STEP_S)
    rough = gaussian_filter1d(rng.normal(size=len(t_s)), ERROR_S / STEP_S / 2)
    error = ERROR_MPS * rough / rough.std()
    speed: FloatArray = np.interp(t_s - late_s, motion.t_s, motion.speed_mps)
    return Series("speed_mps", t_s, np.maximum(speed + error * (speed > 0), 0.0))


def checked(signal: MotionSignal, shown: Series) -> Check:
    """What the corners say."""
    return check_motion(signal, shown, evidence="corners", independent=True)


def proved(signal: MotionSignal, motion: Motion, rng: np.random.Generator) -> Proof:
    """One clip, shown without lag and late and early by what is said to be caught."""
    out = Proof()
    for draw in range(DRAWS):
        found = checked(signal, shown_speed(motion, 0.0, rng))
        if found.interval_s is None:
            out.reasons.append(found.reason)
            continue
        low, high = found.interval_s
        out.cleared.append(low <= 0 <= high)
        least_s = smallest_caught_s(found.half_s)
        out.told_s.append(least_s)
        late_s = least_s if draw % 2 else -least_s
        again = checked(signal, shown_speed(motion, late_s, rng))
        out.caught.append(again.interval_s is not None and not _holds(again.interval_s))
    return out


def _holds(interval_s: tuple[float, float]) -> bool:
    return interval_s[0] <= 0 <= interval_s[1]


def main() -> None:
    """The table."""
    launches = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    every = Proof()
    print(f"{'':>26} tries cleared caught   told untold")
    for number, (name, spec) in enumerate(SCENES.items()):
        if len(sys.argv) > 2 and name not in sys.argv[2:]:
            continue
        group = Proof()
        for k in range(launches):
            rng = np.random.default_rng([20260518, number, k])
            motion = launch(rng)
            size = {"width": CORNERS_WIDTH, "height": CORNERS_WIDTH * 9 // 16}
            signal = corner_motion(follow_corners(rendered(replace(spec, **size), motion, rng)))
            group.add(proved(signal, motion, rng))
        print(group.line(name), *sorted(set(group.reasons)), flush=True)
        every.add(group)
    print(every.line("all"))


if __name__ == "__main__":
    main()
