"""Make the demo: clips, logs, truth and day sheet of one day in a folder."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from overlay.demo.clip import write_clip
from overlay.demo.recorder import (
    record_revs,
    record_speed,
    write_gpx,
    write_nmea,
    write_revs_table,
    write_speed_table,
)
from overlay.demo.scenario import (
    BUILDS,
    CURRENCY,
    MARGIN_MPS,
    MARGIN_S,
    SPLIT_DISTANCES_M,
    SPLIT_SPEEDS_MPS,
    STOCK_LIMIT_RPM,
    Build,
    RunPlan,
    plan_day,
)
from overlay.demo.scene import pictures
from overlay.demo.soundtrack import soundtrack
from overlay.demo.spec import frame_times_s
from overlay.demo.truth import RunTruth, truth_of, write_truth
from overlay.demo.vehicle import simulate
from overlay.errors import OutputError
from overlay.files import written_whole

Progress = Callable[[str, float], None]  # what is being done, and the share done
SUFFIX = {"gpx": ".gpx", "nmea": ".nmea", "csv": "_speed.csv"}
POLL_S = 0.2


@dataclass(frozen=True)
class DemoDay:
    """What was made.

    Attributes
    ----------
    folder, sheet, truth : Path
        The folder, the day sheet and the truth file in it.
    builds : tuple of Build
    runs : tuple of RunTruth
        In the order driven; file names are relative to `folder`.
    """

    folder: Path
    sheet: Path
    truth: Path
    builds: tuple[Build, ...]
    runs: tuple[RunTruth, ...]


def make_demo(
    folder: Path | str,
    *,
    progress: Progress | None = None,
    runs_per_build: int = 3,
    size: tuple[int, int] = (1280, 720),
    workers: int = 2,
    rng_seed: int = 2026,
) -> DemoDay:
    """Simulate, film and log a whole day.

    Parameters
    ----------
    folder : Path
        Made if it does not exist; files of the same names are replaced.
    progress : callable or None
        Called now and then with a short text and the share done, 0 to 1.
    runs_per_build : int
    size : (int, int)
        Width and height of the clips.
    workers : int
        Processes; 1 stays within this one.

    Raises
    ------
    OutputError
        If the folder cannot be made or written to.
    """
    folder = _folder(Path(folder))
    plans = plan_day(runs_per_build=runs_per_build, size=size, rng_seed=rng_seed)
    return make_runs(folder, plans, progress=progress, workers=workers)


def make_runs(
    folder: Path,
    plans: tuple[RunPlan, ...],
    *,
    progress: Progress | None = None,
    workers: int = 2,
    kbit_s: int = 2100,
) -> DemoDay:
    """Film and log the given runs into `folder`; see :func:`make_demo`."""
    tell = progress or (lambda text, share: None)
    jobs = [(plan, str(folder), kbit_s) for plan in plans]
    if workers <= 1 or len(plans) == 1:
        runs = []
        for number, job in enumerate(jobs):
            tell(f"filming run {job[0].name}", number / len(jobs))
            runs.append(film(*job))
    else:
        runs = _in_parallel(jobs, min(workers, len(jobs)), tell)
    day = write_day(folder, tuple(runs))
    tell("the day is recorded", 1.0)
    return day


def write_day(folder: Path, runs: tuple[RunTruth, ...]) -> DemoDay:
    """Write the day sheet and the truth of runs whose clips and logs are in the folder."""
    sheet, truth = folder / "day.toml", folder / "truth.json"
    write_truth(truth, runs, facts=_facts())
    with written_whole(sheet) as part:
        part.write_text(day_sheet(runs), encoding="utf-8")
    return DemoDay(folder, sheet, truth, BUILDS, runs)


def _folder(folder: Path) -> Path:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{folder}: cannot be made: {error.strerror}; name another folder"
        ) from error
    return folder


def film(
    plan: RunPlan,
    folder: str,
    kbit_s: int = 2100,
    tell: Callable[[float], None] | None = None,
    *,
    crf: int = 25,
) -> RunTruth:
    """Simulate one run and write its clip and logs; returns the truth.

    Parameters
    ----------
    plan : RunPlan
    folder : str
        Where to write.
    kbit_s : int
        Bits a second of the clip's picture, in thousands.
    tell : callable, optional
        Told the share filmed, 0 to 1.
    crf : int
        Quality of the picture where the bits allow, 0 (best) to 51.
    """
    if _leaving:
        raise SystemExit(1)  # the pool hands on what it had fetched before it was stopped
    place = Path(folder)
    motion = simulate(plan.build.vehicle, plan.drive)
    clip, revs = f"{plan.name}.mp4", f"{plan.name}_revs.csv"
    log = plan.name + SUFFIX[plan.log_format]
    record = record_speed(motion, plan.receiver)
    {"gpx": write_gpx, "nmea": write_nmea, "csv": write_speed_table}[plan.log_format](
        place / log, record
    )
    write_revs_table(place / revs, record_revs(motion, plan.counter))
    frames = _counted(
        pictures(plan.scene, motion),
        len(frame_times_s(plan.scene, motion.duration_s)),
        tell,
    )
    write_clip(
        place / clip,
        frames,
        soundtrack(motion, plan.sound),
        rate_hz=plan.scene.frame_rate_hz,
        created_utc=plan.created_utc,
        kbit_s=kbit_s,
        crf=crf,
    )
    return truth_of(plan, motion, clip=clip, speed_log=log, revs_log=revs)


# -- several processes ------------------------------------------------------------------------

_done: Any = None  # shared share-done counter of a worker, in thousandths of a run
_leaving = False  # told to end: nothing more is begun


def _counted(
    frames: Iterator[tuple[float, npt.NDArray[np.uint8]]],
    total: int,
    tell: Callable[[float], None] | None,
) -> Iterator[tuple[float, npt.NDArray[np.uint8]]]:
    told = 0
    for number, frame in enumerate(frames, 1):
        yield frame
        share = 1000 * number // total
        if share <= told + 9:
            continue
        if tell is not None:
            tell(share / 1000)
        elif _done is not None:
            with _done.get_lock():
                _done.value += share - told
        told = share


def _start_worker(done: Any) -> None:
    """A worker leaves Ctrl-C to its parent and removes half-made files when told to end."""
    global _done
    _done = done
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)


def _leave(signum: int, frame: object) -> None:
    global _leaving
    _leaving = True
    raise SystemExit(128 + signum)


def _in_parallel(
    jobs: list[tuple[RunPlan, str, int]], workers: int, tell: Progress
) -> list[RunTruth]:
    context = multiprocessing.get_context("spawn")
    done = context.Value("i", 0)
    pool = ProcessPoolExecutor(
        workers, mp_context=context, initializer=_start_worker, initargs=(done,)
    )
    try:
        futures: list[Future[RunTruth]] = [pool.submit(film, *job) for job in jobs]
        while wait(futures, timeout=POLL_S).not_done:
            failed = [f for f in futures if f.done() and f.exception()]
            if failed:
                failed[0].result()
            finished = sum(f.done() for f in futures)
            tell(
                f"filming {len(jobs)} runs, {finished} done",
                min(0.99, done.value / 1000 / len(jobs)),
            )
        return [future.result() for future in futures]
    except BaseException:
        _stop(pool)
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _stop(pool: ProcessPoolExecutor) -> None:
    """End our own workers, which clean up behind themselves."""
    for pid in list(pool._processes or {}):
        try:
            os.kill(pid, signal.SIGTERM)
        except ProcessLookupError:
            continue


# -- day sheet ----------------------------------------------------------------------------------


def _facts() -> dict[str, Any]:
    return {
        "what": "True values of a simulated day; offsets are log time minus footage time.",
        "place": "a disused airfield taxiway",
        "builds": {
            build.key: {
                "name": build.name,
                "price": build.price,
                "tyre_radius_m": build.vehicle.tyre_radius_m,
                "ratio": build.vehicle.ratio,
                "limiter_rpm": build.vehicle.limiter_rpm,
            }
            for build in BUILDS
        },
    }


def day_sheet(runs: tuple[RunTruth, ...]) -> str:
    """The day sheet as TOML text: vehicle, builds, runs and the splits to report."""
    vehicle = BUILDS[0].vehicle
    goals = [f"{speed:g} m/s" for speed in SPLIT_SPEEDS_MPS]
    goals += [f"{distance:g} m" for distance in SPLIT_DISTANCES_M]
    lines = [
        "# A village cyclekart club's timing runs on a disused airfield taxiway (simulated).",
        "# Closed course, helmet and gloves; local law and the rules of the venue come first.",
        "",
        "[report]",
        'title = "Taxiway day"',
        'speed_unit = "mph"',
        f"splits = [{', '.join(map(_quoted, goals))}]",
        f"worth_noticing_s = {MARGIN_S:g}",
        f"worth_noticing_mps = {MARGIN_MPS:g}",
        "",
        "[vehicle]",
        'name = "Club cart"',
        f"mass_kg = {vehicle.mass_kg:.1f}  # with driver and fuel",
        f"rolling_circumference_m = {2 * math.pi * vehicle.tyre_radius_m:.4f}",
        f"gear_ratios = [{vehicle.ratio:g}]  # turns of the crank for one of the driven wheel",
        'clutch = "centrifugal"',
        "cylinders = 1",
        "strokes = 4",
        f"idle_rpm = {vehicle.idle_rpm:.1f}",
        f"stock_limit_rpm = {STOCK_LIMIT_RPM:.1f}  # a stock flywheel or rod can fail above it",
        "",
        "[conditions]",
        "temperature_c = 16.0",
        "pressure_hpa = 1006.0",
        "humidity_percent = 58.0",
    ]
    for build in BUILDS:
        lines += [
            "",
            "[[builds]]",
            f"name = {_quoted(build.key)}",
            f"about = {_quoted(build.name)}",
        ]
        if build.parts:
            lines += ["parts = ["]
            lines += [f"  {{ name = {_quoted(n)}, price = {p:.2f} }}," for n, p in build.parts]
            lines += ["]"]
        lines += [f"price = {build.price:.2f}", f'currency = "{CURRENCY}"']
        held = min(build.vehicle.governor_rpm, build.vehicle.limiter_rpm)
        lines += [f"limiter_rpm = {held:.1f}"]
    for run in sorted(runs, key=lambda run: run.name):
        lines += ["", "[[runs]]", f"name = {_quoted(run.name)}", f"build = {_quoted(run.build)}"]
        lines += [f"clip = {_quoted(run.clip)}"]
        lines += [f"logs = [{_quoted(run.speed_log)}, {_quoted(run.revs_log)}]"]
        if run.clock_offset_s == 0:
            lines += ["same_clock = true  # the camera's own GPS"]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return f'"{text}"'  # our own plain words only; nothing needs escaping
