"""Accuracy of engine speed from sound and of the RPM log's clock. Prints a table.

Run ``python -m tests.benchmarks.accuracy.sound [PART ...]`` from the checkout, with the parts
``octave``, ``tone``, ``clock``, ``nothing``, ``engines``; all of them take some minutes.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from overlay.demo.recorder import RevCounter, record_revs
from overlay.demo.scenario import plan_day
from overlay.demo.soundtrack import RATE_HZ as DEMO_HZ
from overlay.demo.soundtrack import SoundSpec, soundtrack
from overlay.demo.vehicle import simulate
from overlay.engine.clock import rpm_clock_offset
from overlay.engine.sound_rpm import rpm_from_sound
from overlay.footage.model import Sound
from overlay.series import Series
from tests.engine import sounds


def octave(count: int = 200) -> None:
    """Octave errors over sweeps with the fundamental removed and 0 dB wind noise."""
    rng = np.random.default_rng(11)
    wrong_sweeps = wrong = believed = total = 0
    relative = []
    spent = time.process_time()
    for number in range(count):
        course = sounds.sweep(rng)
        tones = sounds.engine(course, rng, missing=(1,), even_bias=float(rng.uniform(-3, 6)))
        noisy = tones + sounds.wind(len(course), rng)
        heard = rpm_from_sound(sounds.sound(noisy))
        true = np.interp(heard.t_s, sounds.times(course), course)
        sure = heard.confidence >= 0.5
        error = heard.rpm[sure] / true[sure] - 1
        bad = np.abs(error) > 0.2
        if np.any(bad):
            wrong_sweeps += 1
            where = heard.t_s[sure][bad]
            print(
                f"  sweep {number}: {np.count_nonzero(bad)} wrong of {len(error)} at "
                f"{where[0]:.2f}..{where[-1]:.2f} s, ratio {1 + np.median(error[bad]):.2f}, "
                f"confidence {np.median(heard.confidence[sure][bad]):.2f}"
            )
        wrong += int(np.count_nonzero(bad))
        believed += len(error)
        total += len(true)
        relative.append(np.abs(error[~bad]))
    spent = time.process_time() - spent
    share = np.concatenate(relative)
    print(
        f"octave: {wrong_sweeps} of {count} sweeps with any instant off by over 20 %; "
        f"{wrong} of {believed} instants; {believed / total:.1%} of time believed; error median "
        f"{np.median(share):.2%}, 95th percentile {np.percentile(share, 95):.2%}; "
        f"{spent / count:.2f} s CPU a sweep of 6 s"
    )


def tone(count: int = 30) -> None:
    """RMSE at constant engine speed against the bound for known harmonics in white noise."""
    from overlay.engine.cycles import FRAME_CYCLES

    for rpm, snr_db in ((2400.0, 0.0), (2400.0, 10.0), (5200.0, 0.0), (5200.0, 10.0)):
        rng = np.random.default_rng(12)
        errors, bounds, claimed, whole = [], [], [], []
        rate = sounds.RATE_HZ
        for _ in range(count):
            seconds = 3.0
            t_s = np.arange(int(seconds * rate)) / rate
            f_hz = rpm / 120
            levels = 1.0 / (1 + np.arange(1, 13) / 4)
            levels *= 10 ** (rng.normal(0, 3, 12) / 20)
            levels /= np.sqrt(np.sum(levels**2) / 2)
            signal = sum(
                a * np.cos(2 * np.pi * k * f_hz * t_s + rng.uniform(0, 6.3))
                for k, a in enumerate(levels, 1)
            )
            sigma = 10 ** (-snr_db / 20)
            heard = rpm_from_sound(sounds.sound(signal + sigma * rng.standard_normal(len(t_s))))
            inner = (heard.t_s > 0.5) & (heard.t_s < seconds - 0.5) & (heard.confidence > 0.5)
            errors.append(heard.rpm[inner] - rpm)
            claimed.append(heard.sigma_rpm[inner])
            whole.append(np.mean(heard.rpm[inner]) - rpm)
            # Kay 1993 (from memory), var(f) >= 12 fs^2 / ((2 pi)^2 eta N (N^2 - 1)), eta = A^2 /
            # (2 sigma^2); harmonics k of one f each add k^2 eta_k, with N the frame's samples.
            n = FRAME_CYCLES / f_hz * rate
            eta = float(np.sum(np.arange(1, 13) ** 2 * levels**2) / (2 * sigma**2))
            bounds.append(120 * np.sqrt(12 * rate**2 / ((2 * np.pi) ** 2 * eta * n**3)))
        all_errors = np.concatenate(errors)
        rmse = float(np.sqrt(np.mean(all_errors**2)))
        bound = float(np.sqrt(np.mean(np.square(bounds))))
        said = float(np.sqrt(np.mean(np.concatenate(claimed) ** 2)))
        print(
            f"tone: {rpm:.0f} rpm, {snr_db:+.0f} dB: RMSE {rmse:.3f} rpm, bound of a frame "
            f"{bound:.3f}, ratio {rmse / bound:.2f}; claimed {said:.3f}; mean bias "
            f"{np.mean(whole):+.4f}"
        )


def clock(count: int = 40) -> None:
    """Clock offset from sound over simulated runs, loggers at several rates and noises."""
    cases = (
        ("20 Hz", RevCounter(), 1.0, 0.0),
        ("10 Hz", RevCounter(rate_hz=10.0), 1.0, 0.0),
        ("50 Hz, 25 rpm", RevCounter(rate_hz=50.0, noise_rpm=25.0), 1.0, 0.0),
        ("5 Hz", RevCounter(rate_hz=5.0), 1.0, 0.0),
        ("20 Hz, wind x2", RevCounter(), 2.0, 0.0),
        ("20 Hz, minutes of log", RevCounter(clock_offset_s=200.0, before_s=200.0), 1.0, 0.0),
        ("20 Hz, clipped", RevCounter(), 1.0, 4.0),
    )
    heard_runs = []
    for name, counter, gain, drive in cases:
        rng = np.random.default_rng(13)
        errors, halves, refused = [], [], 0
        key = (gain, drive)
        for number in range(count):
            plan = plan_day(runs_per_build=1, rng_seed=number // 2)[number % 2]
            motion = simulate(plan.build.vehicle, plan.drive)
            found = next((h for k, n, h in heard_runs if k == key and n == number), None)
            if found is None:
                spec = replace(plan.sound, wind=gain, drive=drive or 1.0)
                found = rpm_from_sound(Sound(soundtrack(motion, spec), DEMO_HZ, 0.0))
                heard_runs.append((key, number, found))
            true = float(rng.uniform(14, 75)) + (counter.clock_offset_s - 24.0)
            made = record_revs(
                motion,
                replace(counter, clock_offset_s=true, rng_seed=int(rng.integers(1 << 30))),
            )
            keep = made.engine_rpm >= 0
            log = Series("engine_rpm", made.log_s[keep], made.engine_rpm[keep])
            result = rpm_clock_offset(found, log)
            if not result.determined or result.offset_s is None or result.interval_s is None:
                refused += 1
                print(f"  {name} run {number}: {result.reason}")
                continue
            errors.append(result.offset_s - true)
            halves.append((result.interval_s[1] - result.interval_s[0]) / 2)
        error = 1000 * np.array(errors)
        half = 1000 * np.array(halves)
        print(
            f"clock: {name}: median |error| {np.median(np.abs(error)):.2f} ms, 95th percentile "
            f"{np.percentile(np.abs(error), 95):.2f}, worst {np.max(np.abs(error)):.2f}, bias "
            f"{np.mean(error):+.2f}; half interval {np.median(half):.2f}; coverage "
            f"{np.mean(np.abs(error) <= half):.0%}; refused {refused} of {count}"
        )


def nothing(count: int = 20) -> None:
    """Share of time believed where there is no engine at all."""
    rng = np.random.default_rng(14)
    shares = []
    for number in range(count):
        plan = plan_day(runs_per_build=1, rng_seed=number // 2)[number % 2]
        motion = simulate(plan.build.vehicle, plan.drive)
        spec = SoundSpec(engine=0.0, drive=float(rng.choice([1.0, 4.0])), rng_seed=number)
        heard = rpm_from_sound(Sound(soundtrack(motion, spec), DEMO_HZ, 0.0))
        shares.append(float(np.mean(heard.confidence >= 0.5)))
    noise = [rpm_from_sound(sounds.sound(sounds.wind(96000, rng))) for _ in range(count)]
    white = [rpm_from_sound(sounds.sound(rng.standard_normal(96000))) for _ in range(count)]
    print(
        f"nothing: believed {np.mean(shares):.2%} of rides without an engine (worst "
        f"{np.max(shares):.2%}), {np.mean([np.mean(h.confidence >= 0.5) for h in noise]):.2%} of "
        f"wind, {np.mean([np.mean(h.confidence >= 0.5) for h in white]):.2%} of white noise"
    )


def engines(count: int = 15) -> None:
    """Octave errors of other engines, alone and with the logged range as evidence."""
    for cylinders, strokes in ((1, 2), (2, 4), (2, 2), (3, 4), (4, 4)):
        rng = np.random.default_rng(15)
        tallies = {"alone": [0, 0, 0], "with log": [0, 0, 0]}
        for _ in range(count):
            course = sounds.sweep(rng)
            tones = sounds.engine(course, rng, cylinders=cylinders, strokes=strokes)
            clip = sounds.sound(tones + 0.5 * sounds.wind(len(course), rng))
            logged = Series("engine_rpm", sounds.times(course)[::1600], course[::1600])
            for name, known in (("alone", None), ("with log", logged)):
                heard = rpm_from_sound(clip, cylinders=cylinders, strokes=strokes, logged=known)
                true = np.interp(heard.t_s, sounds.times(course), course)
                sure = heard.confidence >= 0.5
                tally = tallies[name]
                tally[0] += int(np.count_nonzero(np.abs(heard.rpm[sure] / true[sure] - 1) > 0.2))
                tally[1] += int(np.count_nonzero(sure))
                tally[2] += len(true)
        for name, (wrong, sure_count, total) in tallies.items():
            print(
                f"engines: {cylinders} cylinders, {strokes} strokes, {name}: {wrong} of "
                f"{sure_count} instants wrong, {sure_count / total:.1%} believed"
            )


PARTS = {"octave": octave, "tone": tone, "clock": clock, "nothing": nothing, "engines": engines}


def main(names: list[str]) -> None:
    """Run the parts named, or all."""
    for name in names or list(PARTS):
        PARTS[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
