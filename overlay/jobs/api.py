"""The last steps for a script or a notebook: draw what was analysed, compare, verify."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from overlay.compare.figures import LEVEL, Comparison, PairedRuns, run_split
from overlay.compare.verdict import compare_all
from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs
from overlay.jobs.day_one import started_at
from overlay.jobs.film import encoded
from overlay.jobs.verify import verify_clip
from overlay.render.encoder import EncodeOptions
from overlay.scene import Cell, Style, scene_of
from overlay.session import RunAnalysis
from overlay.verify import Verdict


@dataclass(frozen=True)
class Drawing:
    """A film that was written."""

    path: Path
    size_px: tuple[int, int]  # width and height
    frames: int
    duration_s: float
    notes: tuple[str, ...]  # what a person should know of it, one sentence each


def draw(
    runs: RunAnalysis | Sequence[RunAnalysis],
    target: str | os.PathLike[str],
    style: Style | None = None,
    *,
    names: Sequence[str] = (),
    arrangement: str | None = None,
    lead_s: float = 1.0,
    encoder: EncodeOptions | None = None,
) -> Drawing:
    """Draw one run with its gauges, or several together from the same launch.

    Parameters
    ----------
    runs : RunAnalysis or sequence of RunAnalysis
        From :func:`overlay.analyse`. The ladder shows the goals that they were analysed for.
    target : path
        ``.mp4``, ``.mov`` or ``.mkv``; written whole or not at all.
    style : Style, optional
        Units, gauges and layout.
    names : sequence of str
        One a run; of their clips when empty.
    arrangement : str, optional
        A name in ``overlay.arrangements``; by the number of runs when None.
    lead_s : float
        Seconds before the launch, where there are several runs.
    encoder : EncodeOptions, optional

    Raises
    ------
    TimetrueError
        As the message says; then the target is as it was.
    """
    shown = [runs] if isinstance(runs, RunAnalysis) else list(runs)
    if not shown:
        raise UsageError("no run to draw; give one at least")
    usual = "alone" if len(shown) == 1 else "grid"
    chosen = arrangement or ("side by side" if len(shown) == 2 else usual)
    if names and len(names) != len(shown):
        raise UsageError(f"{len(names)} names for {len(shown)} runs; give one for each or none")
    files = [Path(run.clip.path) for run in shown]
    files += [Path(log.path) for run in shown for log in run.aligned.inputs.logs]
    forbid_overwriting_inputs(Path(target), files)
    shown_names = names or [_name(run) for run in shown]
    cells = [Cell(run, name) for run, name in zip(shown, shown_names, strict=True)]
    scene = scene_of(cells, style or Style(), chosen)
    made = encoded(scene, Path(target), encoder, lead_s=lead_s)
    notes = (*scene.notes, *made.notes)
    return Drawing(Path(target), (made.width, made.height), made.frames, made.duration_s, notes)


def compare(
    a: Sequence[RunAnalysis],
    b: Sequence[RunAnalysis],
    *,
    worth_noticing_s: float = 0.1,
    level: float = LEVEL,
    order: Sequence[float] | None = None,
) -> tuple[Comparison, ...]:
    """Judge the runs of build b against those of build a, a comparison for each goal.

    Parameters
    ----------
    a, b : sequence of RunAnalysis
        All analysed for the same goals; parts of runs that marks spoil are left out.
    worth_noticing_s : float
        A smaller difference of a split does not matter, s.
    level : float
        Chance of a wrong verdict over all splits together, 0 to 1.
    order : sequence of float, optional
        Places in the order driven, of a's runs and then of b's; by default from the times of the
        logs, else of the clips, else as listed. Where all runs of one build came first nothing
        can be decided.

    Raises
    ------
    UsageError
        If there is no run, the goals differ, or there are not as many places as runs.
    """
    goals = {tuple(split.goal for split in run.splits) for run in (*a, *b)}
    if not a or not b or len(goals) != 1:
        raise UsageError("compare takes runs of both builds, all analysed for the same goals")
    places = _places((*a, *b)) if order is None else list(order)
    if len(places) != len(a) + len(b):
        raise UsageError(f"{len(places)} places for {len(a) + len(b)} runs: give one a run")
    pairings = []
    for i, goal in enumerate(next(iter(goals))):
        figures = [
            run_split(_name(run), run.splits[i], marks=run.marks, place=place)
            for run, place in zip((*a, *b), places, strict=True)
        ]
        first, second = figures[: len(a)], figures[len(a) :]
        pairings.append(PairedRuns(goal.label, first, second, worth_noticing_s))
    return tuple(compare_all(pairings, level=level))


def _places(runs: Sequence[RunAnalysis]) -> list[float]:
    """When each run started by one kind of clock, else its place in the list."""
    started = [started_at(run) for run in runs]
    times = [at_s for at_s, _ in started if at_s is not None]
    if len(times) == len(runs) == len(set(times)) and len({by for _, by in started}) == 1:
        return times
    return [float(i) for i in range(len(runs))]


def verify(path: str | os.PathLike[str]) -> tuple[Verdict, ...]:
    """Judge each run of a finished film: how late or early are its gauges, how sure is that?

    Parameters
    ----------
    path : path
        A film made by :func:`draw` or the commands.

    Raises
    ------
    InputError
        If no gauge can be read in it.
    """
    return tuple(verify_clip(Path(path)))


def _name(run: RunAnalysis) -> str:
    return Path(run.clip.path).stem
