"""Frames of a burnt-in speed read right, the cost of reading, and the lag from a readout.

    python -m tests.benchmarks.accuracy.readout [--quick] [--faces NAME ...] [--seconds 12]
    python -m tests.benchmarks.accuracy.readout --lag 60
    python -m tests.benchmarks.accuracy.readout --cost 60

The first: typefaces times grounds, with places, rates, sizes of picture and coarseness of coding
taken in turn, over real pictures where the footage is at hand. Typefaces are looked for among
Debian's (`apt-get install fonts-roboto-unhinted fonts-lato fonts-dseg fonts-jetbrains-mono
fonts-hack fonts-liberation fonts-inter fonts-comic-neue`); those that are not there are named. The
last two were not looked at while the reader was made.

The second: simulated launches whose speed is shown in whole mph once a second, filmed at 30 frames
a second, against a motion signal as in ``series.py``; the error of the total lag and its coverage.

The third: CPU time of reading against decoding, for one clip in 1080p with a key frame a second.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from overlay.errors import TimetrueError
from overlay.footage import probe
from overlay.footage.parts import part_frames
from overlay.motion.model import MotionSignal
from overlay.readout import read_readout, updates_of
from overlay.series import Series
from overlay.sync.estimate import estimate_offset
from overlay.sync.receiver import apply_receiver
from tests.benchmarks.accuracy.score import HEADER, Bars, Score, outcome
from tests.benchmarks.accuracy.series import FINE_S, FPS, MPH, Cell
from tests.readout.burnt import PLACES, Burnt, launch_and_stop, write_burnt

FONTS = Path("/usr/share/fonts")
FACES = {
    "Roboto": "truetype/roboto/unhinted/RobotoTTF/Roboto-Bold.ttf",
    "Liberation": "truetype/liberation/LiberationSans-Regular.ttf",
    "Lato": "truetype/lato/Lato-Regular.ttf",
    "JetBrains": "truetype/jetbrains-mono/JetBrainsMono-Bold.ttf",
    "DSEG7": "truetype/dseg/DSEG7Classic-Bold.ttf",
    "Hack": "truetype/hack/Hack-Regular.ttf",
    "Inter": "opentype/inter/Inter-Medium.otf",
    "Comic": "opentype/comic-neue/ComicNeue-Bold.otf",
}
GROUNDS = ("plain", "outline", "shadow", "plate")
SIZES = ((854, 480), (1280, 720), (854, 480), (1920, 1080), (854, 480), (3840, 2160))
RATES_HZ, CRFS = (1.0, 10.0, 5.0, 2.0), (18, 23, 28, 34)
TEXTS = ("{} mph", "{} km/h", "{}mph", "{} m/s")
LEAST_RIGHT = 0.995


def cells(names: list[str], quick: bool) -> list[tuple[str, Burnt, tuple[int, int], int]]:
    """Name, spec, size of picture and coarseness of coding of each clip."""
    out = []
    for k, (name, ground) in enumerate((n, g) for n in names for g in GROUNDS):
        path = FONTS / FACES[name]
        if not path.is_file():
            print(f"{name}: {path} is not there, left out", file=sys.stderr)
            continue
        place, size = list(PLACES)[k % 3], SIZES[(k // 4 + k) % 6]
        spec = Burnt(
            path,
            cap_share=0.05,
            place=place,
            ground=ground,
            text="{}" if name == "DSEG7" else TEXTS[(k // 3) % 4],
            width=2 * (k % 2),
            rate_hz=RATES_HZ[(k + k // 4) % 4],
        )
        out.append((f"{name} {ground}", spec, size, CRFS[(3 * k + k // 4) % 4]))
    return out[::5] if quick else out


def measure(names: list[str], quick: bool, seconds: float, folder: Path) -> int:
    """Print a line a clip; how many miss the bar."""
    missed = 0
    for name, spec, size, crf in cells(names, quick):
        path = folder / "clip.mp4"
        _, shown, _ = write_burnt(
            path, spec, _driven(seconds), size=size, crf=crf, seconds=seconds, preset="ultrafast"
        )
        words = f"{name:<20} {spec.place:<13} {size[1]:>4}p {spec.rate_hz:>4g} Hz CRF {crf}"
        try:
            found = read_readout(probe(path), unit="mph" if spec.text == "{}" else None)
        except TimetrueError as error:
            missed += 1
            print(f"{words}: {error}", flush=True)
            continue
        right = float(np.mean(found.shown == shown))
        wrong = np.isfinite(found.shown) & (found.shown != shown)
        unit = spec.text.replace("{}", "").strip() or "mph"
        bad = right < LEAST_RIGHT or longest(wrong) > 2 or found.unit != unit
        missed += bad
        print(
            f"{words}: {100 * right:6.2f} % right, longest wrong {longest(wrong)} frames, "
            f"{found.struck} struck, {np.count_nonzero(found.misread)} misread alone, "
            f"{found.unit}{'  MISSED' if bad else ''}",
            flush=True,
        )
    return missed


def _driven(seconds: float):
    return lambda t_s: launch_and_stop(t_s * 12.0 / seconds)


def longest(wrong: np.ndarray) -> int:
    """Length of the longest run of True."""
    edges = np.flatnonzero(np.diff(wrong, prepend=False, append=False))
    return int(max(edges[1::2] - edges[::2], default=0))


def lag(trials: int) -> int:
    """Print error and coverage of the lag from readouts in whole mph at 1 Hz."""
    outcomes = []
    cell = Cell(1, 0.1, 25, 0.6, 0.3, 20.0, MPH)
    for number in range(trials):
        rng = cell.rng(number)
        motion, fine, speed = _run(cell, rng)
        first_s = float(rng.uniform(0, 1))
        t_s = np.arange(0.0, cell.length_s, 1001 / 30000 if number % 2 else 1 / 30)
        tick_s = np.floor(t_s - first_s) + first_s
        late = apply_receiver(fine, speed, delay_s=0.6, smoothing_s=0.3, at_s=tick_s)
        taken, index = np.unique(tick_s, return_inverse=True)
        noisy = late + rng.normal(0, cell.sigma_mps, len(taken))[index]
        shown = np.rint(np.maximum(noisy, 0) / MPH)
        updates = updates_of(t_s, shown)
        log = Series("speed_mps", updates.t_s, updates.values * MPH)
        outcomes.append(outcome(estimate_offset(motion, log, same_clock=True), 0.9))
    score = Score(f"whole mph, 1 Hz, {cell.length_s:g} s", outcomes)
    bars = Bars(median_s=0.020, p95_s=0.060, cover=(0.93, 0.98), refused=(0.0, 0.05))
    print(HEADER)
    print(score.line(bars))
    return len(score.missed(bars))


def _run(cell: Cell, rng: np.random.Generator) -> tuple[MotionSignal, np.ndarray, np.ndarray]:
    """Motion in the picture of a launch and a stop, and its speed on a fine grid, m/s."""
    top_mps, rise_s, at_s = rng.uniform(12, 18), rng.uniform(2.4, 3.6), rng.uniform(1.5, 3.0)
    stop_s, brake_s = at_s + rng.uniform(8, 10), rng.uniform(3.0, 4.5)
    fine = np.arange(-10.0, cell.length_s + 10.0, FINE_S)
    speed = top_mps * (1 - np.exp(-np.maximum(fine - at_s, 0.0) / rise_s))
    speed = speed * np.clip(1 - (fine - stop_s) / brake_s, 0, 1)
    way = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * FINE_S)])
    frames = np.arange(0.0, cell.length_s, 1 / FPS)
    clean = np.diff(np.interp(frames, fine, way)) * FPS
    noise = float(np.std(clean)) * 10 ** (-cell.snr_db / 20)
    forward = clean + rng.normal(0.0, noise, len(clean))
    scale, n = 1 / float(np.percentile(np.abs(forward), 98)), len(clean)
    sigma = np.full(n, noise * scale)
    middle = (frames[1:] + frames[:-1]) / 2
    motion = MotionSignal(middle, np.full(n, 1 / FPS), forward * scale, np.ones(n), sigma, 0.9)
    return motion, fine, speed


def cost(seconds: float, folder: Path) -> int:
    """Print CPU time of reading over that of decoding."""
    path = folder / "clip.mp4"
    spec = Burnt(FONTS / FACES["Roboto"], ground="outline", rate_hz=1.0)
    write_burnt(
        path, spec, _driven(seconds), size=(1920, 1080), crf=18, seconds=seconds, preset="ultrafast"
    )
    start = time.process_time()
    for _ in part_frames(path, []):
        pass
    plain = time.process_time() - start
    start = time.process_time()
    read_readout(probe(path))
    ratio = (time.process_time() - start) / plain
    print(f"reading {seconds:g} s in 1080p: {ratio:.2f} of a plain decode's processor time")
    return int(ratio > 1.3)


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="every fifth clip")
    parser.add_argument("--faces", nargs="+", choices=list(FACES), default=list(FACES))
    parser.add_argument("--seconds", type=float, default=12.0)
    parser.add_argument("--lag", type=int, metavar="TRIALS")
    parser.add_argument("--cost", type=float, metavar="SECONDS")
    options = parser.parse_args()
    if options.lag:
        return int(lag(options.lag) > 0)
    with tempfile.TemporaryDirectory() as folder:
        if options.cost:
            return cost(options.cost, Path(folder))
        return int(measure(options.faces, options.quick, options.seconds, Path(folder)) > 0)


if __name__ == "__main__":
    sys.exit(main())
