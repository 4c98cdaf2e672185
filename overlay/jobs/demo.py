"""The whole job on the simulated day: film, align, draw and verify each run, then pair two."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from overlay.demo.day import film, write_day
from overlay.demo.scenario import BUILDS, RunPlan, plan_day
from overlay.demo.truth import RunTruth
from overlay.errors import OutputError
from overlay.gauges.palette import build_hue
from overlay.jobs.analyse import AlignedRun, RunAnalysis, align_run, read_inputs
from overlay.jobs.draw import DrawRequest, draw_aligned
from overlay.jobs.pair import pair_aligned
from overlay.jobs.parallel import in_parallel
from overlay.jobs.progress import Progress, silent
from overlay.jobs.verify import verify_clip
from overlay.verify import Verdict

UNITS = "m/s"
SPLITS = ("5 m/s", "10 m/s", "20 m", "60 m")
FILMED, ALIGNED, DRAWN = 0.5, 0.65, 0.88  # share of a run's time that is gone after each stage


@dataclass(frozen=True, eq=False)
class DemoRun:
    """One run of the demo, from truth to proof.

    Attributes
    ----------
    truth : RunTruth
    run : RunAnalysis
    verdict : Verdict
        On the finished clip.
    """

    truth: RunTruth
    run: RunAnalysis
    verdict: Verdict

    @property
    def error_s(self) -> float:
        """Estimated total offset less the true one."""
        return (self.run.alignment.total_offset_s or 0.0) - self.truth.total_offset_s


@dataclass(frozen=True, eq=False)
class DemoResult:
    """What the demo made.

    Attributes
    ----------
    folder : Path
    runs : tuple of DemoRun
        In the order driven.
    pair_clip : Path
        The split-screen of the best run of each build.
    paired : (str, str)
        Names of its runs.
    pair_verdicts : tuple of Verdict
    """

    folder: Path
    runs: tuple[DemoRun, ...]
    pair_clip: Path
    paired: tuple[str, str]
    pair_verdicts: tuple[Verdict, ...]


def run_demo(
    folder: str | Path,
    *,
    size: tuple[int, int] = (960, 540),
    runs_per_build: int = 3,
    progress: Progress = silent,
) -> DemoResult:
    """Make the day and do the whole job on it.

    Parameters
    ----------
    folder : path
        Made if it does not exist; files of the same names are replaced.
    size : (int, int)
        Pixels of the clips.
    runs_per_build : int
    progress : callable

    Raises
    ------
    OutputError
        If the folder cannot be made.
    """
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{place}: cannot be made: {error.strerror}; name another") from error
    plans = plan_day(runs_per_build=runs_per_build, size=size, camera_gps=True)
    tasks = [(plan, str(place)) for plan in plans]
    runs = in_parallel(_whole_run, tasks, stage="filming, aligning, drawing", progress=progress)
    write_day(place, tuple(run.truth for run in runs))
    best = [_best(runs, build.key) for build in BUILDS[:2]]
    pair_clip = place / "side-by-side.mp4"
    names = (best[0].truth.name, best[1].truth.name)
    pair_aligned(
        (best[0].run.aligned, best[1].run.aligned),
        names,
        pair_clip,
        _request(best[0].truth, best[0].run.aligned),
        progress=progress,
    )
    verdicts = verify_clip(pair_clip, progress=progress)
    return DemoResult(place, tuple(runs), pair_clip, names, verdicts)


def _whole_run(task: tuple[RunPlan, str], tell: Callable[[float], None]) -> DemoRun:
    plan, folder = task
    place = Path(folder)
    truth = film(plan, folder, tell=lambda share: tell(FILMED * share))
    inputs = read_inputs(place / truth.clip, (place / truth.speed_log, place / truth.revs_log))
    aligned = align_run(inputs, same_clock=True)
    tell(ALIGNED)
    finished = place / f"{truth.name}-gauges.mp4"
    report = draw_aligned(aligned, finished, _request(truth, aligned))
    tell(DRAWN)
    (verdict,) = verify_clip(finished)
    return DemoRun(truth, report.run, replace(verdict, name=truth.name))


def _request(truth: RunTruth, aligned: AlignedRun) -> DrawRequest:
    number = [build.key for build in BUILDS].index(truth.build)
    return DrawRequest(
        units=UNITS, splits=SPLITS, same_clock=True, name=truth.name, hue=build_hue(number)
    )


def _best(runs: list[DemoRun], build: str) -> DemoRun:
    """The run of a build that is quickest over the last split, spoiled ones last."""

    def rank(run: DemoRun) -> tuple[bool, float]:
        last = run.run.splits[-1].time_s if run.run.splits else None
        return bool(run.run.marks), float("inf") if last is None else last

    return min((run for run in runs if run.truth.build == build), key=rank)
