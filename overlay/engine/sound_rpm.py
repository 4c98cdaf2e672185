"""Engine speed from the sound of a clip, with how sure it is at each instant.

A comb of harmonics is scored at every rate and time, a likeliest path runs through the scores
(or stays silent), each stretch of it is refined on the sound unrolled over the engine's cycles,
and multiples and parts of the rate are weighed against each other on the whole stretch and on
what else is known: a logged engine speed, a limiter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from overlay.engine.comb_model import Float32, comb_scores, low_passed
from overlay.engine.cycles import FiringCourse, Refined, refine
from overlay.engine.firing import Firing
from overlay.engine.octave import PARTS, multiple_scores, presence
from overlay.engine.tuning import SOUND
from overlay.engine.viterbi import SILENT, best_path
from overlay.footage.model import Sound
from overlay.series import Series, stretches
from overlay.timebase import FloatArray

RANGE_RPM = (700.0, 9000.0)  # slowest and fastest that is looked for


@dataclass(frozen=True, eq=False)
class _Known:
    """What else tells the engine speed from its half and its double."""

    firing: Firing
    logged: Series | None
    limiter_rpm: float | None


@dataclass(frozen=True, eq=False)
class SoundRpm:
    """Engine speed as heard."""

    t_s: FloatArray  # shape (n,): footage time, even steps
    # Shape (n,): engine speed and its standard uncertainty; NaN where nothing is heard.
    rpm: FloatArray
    sigma_rpm: FloatArray
    confidence: FloatArray  # shape (n,): 0 (nothing heard) to 1
    note: str  # how the octave was settled, or why there is nothing

    @property
    def heard(self) -> bool:
        """Whether there is any engine speed to believe."""
        return bool(np.any(self.confidence >= SOUND.least_confidence))

    def series(self) -> Series | None:
        """The confident values with their uncertainty, or None."""
        keep = self.confidence >= SOUND.least_confidence
        if np.count_nonzero(keep) < 2:
            return None
        return Series("engine_rpm", self.t_s[keep], self.rpm[keep], self.sigma_rpm[keep])


def rpm_from_sound(
    sound: Sound,
    *,
    cylinders: int = 1,
    strokes: int = 4,
    logged: Series | None = None,
    limiter_rpm: float | None = None,
) -> SoundRpm:
    """Engine speed from sound, without any confident value when there is no engine to hear.

    Parameters
    ----------
    cylinders, strokes : int
        The engine; evenly firing when it has several cylinders.
    logged : Series, optional
        Engine speed from a log on any clock; only its range of values is used.
    limiter_rpm : float, optional
        The engine never turns much faster than this.

    Raises
    ------
    UsageError
        If the engine makes no sense.
    """
    known = _Known(Firing(cylinders, strokes), logged, limiter_rpm)
    per_hz = known.firing.rpm_per_firing_hz
    low, high = RANGE_RPM
    work_hz = float(np.clip(high / per_hz * 100, 6000.0, 20000.0))
    finite = np.where(np.isfinite(sound.samples), sound.samples, 0.0)
    samples = np.asarray(finite - finite.mean(axis=0, keepdims=True), np.float32)[:, :2]
    if len(samples) / sound.rate_hz < SOUND.least_s or float(np.std(samples)) < 1e-5:
        return _nothing(sound, "the sound is silent or shorter than half a second")
    samples, work_hz = low_passed(samples, sound.rate_hz, work_hz, pass_hz=0.2 * work_hz)
    stretches = _stretches(samples, work_hz, low / per_hz, high / per_hz)
    settled = [_settle(samples, work_hz, course, known) for course in stretches]
    heard = _agreeing([item for item in settled if item is not None])
    if not heard:
        return _nothing(sound, "no engine is clear enough in the sound")
    return _assembled(sound, heard, per_hz)


def _nothing(sound: Sound, why: str) -> SoundRpm:
    t_s = sound.start_s + np.arange(0.0, len(sound.samples) / sound.rate_hz, SOUND.step_s)
    none = np.full(len(t_s), np.nan)
    return SoundRpm(t_s, none, none, np.zeros(len(t_s)), why)


def _stretches(
    samples: Float32, rate_hz: float, low_hz: float, high_hz: float
) -> list[FiringCourse]:
    """Rough courses of the cycle rate where a comb is heard."""
    scores = comb_scores(samples, rate_hz, low_hz, high_hz, step_s=SOUND.step_s)
    spacing = float(np.log(scores.cycle_hz[1] / scores.cycle_hz[0]))
    path = best_path(
        scores.score - SOUND.silent_score,
        reach=max(1, round(SOUND.fastest_per_s * SOUND.step_s / spacing)),
        step_cost=SOUND.step_cost,
        switch_cost=SOUND.switch_cost,
    )
    courses = []
    for start, end in stretches(path != SILENT):
        if (end - start) * SOUND.step_s < SOUND.least_stretch_s:
            continue
        log_rate = np.log(scores.cycle_hz[path[start:end]])
        courses.append(FiringCourse(scores.t_s[start:end], np.exp(_smoothed(log_rate, 9))))
    return courses


def _smoothed(values: FloatArray, width: int) -> FloatArray:
    padded = np.pad(values, width // 2, mode="reflect", reflect_type="odd")
    return np.convolve(padded, np.ones(width) / width, mode="valid")


_COARSE = np.array([-0.3, -0.15, 0.0, 0.15, 0.3])
_FINE = np.array([-0.1, -0.05, 0.0, 0.05, 0.1])


def _refined(
    samples: Float32, rate_hz: float, course: FiringCourse
) -> tuple[FiringCourse, Refined] | None:
    """The course after three rounds of refinement."""
    last: Refined | None = None
    for reach, chirps in ((0.03, _COARSE), (0.012, _FINE), (0.006, _FINE)):
        found = refine(samples, rate_hz, course, reach=reach, chirps=chirps)
        if found is None:
            break
        last = found
        course = FiringCourse(course.t_s, np.interp(course.t_s, found.t_s, _corrected(found)))
    return None if last is None else (course, last)


def _corrected(found: Refined) -> FloatArray:
    """The rate with its noise taken out where it is no more than noise (Wiener's shrinkage)."""
    rate = _median3(found.cycle_hz)
    width = min(11, len(rate) // 2 * 2 - 1)
    if width < 3:
        return rate
    smooth = _smoothed(rate, width)
    detail = rate - smooth
    power = np.maximum(_smoothed(detail**2, min(5, width)), 1e-12)
    noise = (2.0 * found.sigma_hz) ** 2
    return np.asarray(smooth + detail * np.clip(1 - noise / power, 0.0, 1.0))


def _median3(values: FloatArray) -> FloatArray:
    if len(values) < 3:
        return values
    middle = np.median(np.stack([values[:-2], values[1:-1], values[2:]]), axis=0)
    return np.concatenate([values[:1], middle, values[-1:]])


@dataclass(frozen=True, eq=False)
class _Settled:
    refined: Refined
    margin: float
    by: str


def _settle(
    samples: Float32, rate_hz: float, course: FiringCourse, known: _Known
) -> _Settled | None:
    """The stretch at the multiple of its rate that explains it best."""
    first = _refined(samples, rate_hz, course)
    if first is None:
        return None
    course = first[0]
    above = presence(samples, rate_hz, course)
    if above is None:
        return None
    scores = multiple_scores(above, known.firing)
    rpm = course.cycle_hz * known.firing.rpm_per_firing_hz
    able = {m: s for m, s in scores.items() if _within(rpm * m / PARTS, RANGE_RPM, 0.02)}
    able = able or {PARTS: 0.0}
    ranked = sorted(able, key=lambda m: -able[m])
    best, by = ranked[0], "its harmonics"
    fitting = [m for m in ranked if _fits(rpm * m / PARTS, known)]
    what = "the limiter" if known.logged is None else "the range of the logged engine speed"
    if fitting and fitting[0] != best:
        best, by = fitting[0], what
    elif fitting and len(fitting) < len(ranked):
        by = f"its harmonics and {what}"
    others = [s for m, s in able.items() if m != best and (not fitting or m in fitting)]
    margin = able[best] - max(others, default=able[best] - 9.0)
    if best != PARTS:
        course = FiringCourse(course.t_s, course.cycle_hz * best / PARTS)
        again = _refined(samples, rate_hz, course)
        if again is None:
            return None
        first = again
    return _Settled(first[1], margin, by)


def _agreeing(heard: list[_Settled]) -> list[_Settled]:
    """The stretches less the short ones that no engine could reach from a longer one nearby."""
    kept: list[_Settled] = []
    for item in sorted(heard, key=lambda one: -len(one.refined.t_s)):
        found = item.refined
        clashes = False
        for other in (one.refined for one in kept):
            later = found.t_s[0] > other.t_s[-1]
            ends = (-1, 0) if later else (0, -1)
            gap_s = abs(float(found.t_s[ends[1]] - other.t_s[ends[0]]))
            jump = abs(float(np.log(found.cycle_hz[ends[1]] / other.cycle_hz[ends[0]])))
            clashes |= gap_s < SOUND.nearby_s and jump > SOUND.jump + SOUND.fastest_per_s * gap_s
        if not clashes:
            kept.append(item)
    return kept


def _within(rpm: FloatArray, limits: tuple[float, float], room: float) -> bool:
    low, high = np.percentile(rpm, [5, 95])
    return bool(low >= limits[0] * (1 - room) and high <= limits[1] * (1 + room))


def _fits(rpm: FloatArray, known: _Known) -> bool:
    limit, logged = known.limiter_rpm, known.logged
    if limit is not None and not _within(rpm, (0.0, limit), SOUND.edge):
        return False
    if logged is None or not len(logged):
        return True
    return _within(rpm, (float(logged.values.min()), float(logged.values.max())), SOUND.edge)


def _assembled(sound: Sound, heard: list[_Settled], per_hz: float) -> SoundRpm:
    t_s = np.arange(0.0, len(sound.samples) / sound.rate_hz, SOUND.step_s)
    rpm = np.full(len(t_s), np.nan)
    sigma = np.full(len(t_s), np.nan)
    confidence = np.zeros(len(t_s))
    for item in heard:
        found = item.refined
        inside = (t_s >= found.t_s[0]) & (t_s <= found.t_s[-1])
        rpm[inside] = per_hz * np.interp(t_s[inside], found.t_s, found.cycle_hz)
        spread = _spread(found)
        sigma[inside] = per_hz * np.interp(t_s[inside], found.t_s, spread)
        sure = _confidence(found, item.margin)
        confidence[inside] = np.interp(t_s[inside], found.t_s, sure)
    share = max(heard, key=lambda item: len(item.refined.t_s))
    note = f"the octave was settled by {share.by}"
    return SoundRpm(sound.start_s + t_s, rpm, sigma, confidence, note)


def _spread(found: Refined) -> FloatArray:
    """Uncertainty from noise and from what neighbouring frames disagree by."""
    rough = np.zeros(len(found.t_s))
    if len(rough) > 8:
        bow = np.abs(found.cycle_hz[:-4] - 2 * found.cycle_hz[2:-2] + found.cycle_hz[4:])
        rough[2:-2] = bow / 4
        rough = _smoothed(rough, 5)
    return np.hypot(found.sigma_hz, np.maximum(rough, 0.0))


def _confidence(found: Refined, margin: float) -> FloatArray:
    contrast = _smoothed(found.contrast, min(7, (len(found.contrast) - 1) | 1))
    clear = 1 / (1 + np.exp(-8 * (contrast - SOUND.sure_contrast)))
    octave = 1 / (1 + np.exp(-1.5 * (margin - 1.0)))
    wobble = np.clip(1.5 - found.sigma_hz / found.cycle_hz / 0.02, 0, 1)
    stretch = 1 / (1 + np.exp(-12 * (float(np.median(found.contrast)) - SOUND.sure_stretch)))
    length_s = float(found.t_s[-1] - found.t_s[0])
    long = min(1.0, length_s / SOUND.sure_length_s)  # a short stretch says little of its octave
    return np.asarray(clear * octave * wobble * stretch * long)
