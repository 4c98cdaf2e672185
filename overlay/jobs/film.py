"""Films of runs: one with its gauges, several from the same launch, a still, the gauges alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from overlay.arrangements import division_for
from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs
from overlay.footage import probe
from overlay.gauges.imprint import SlowedPart
from overlay.jobs.align_all import align_all
from overlay.jobs.text import run_lines
from overlay.logs.model import Log
from overlay.progress import Progress, silent, staged
from overlay.render.alpha import alpha_clip
from overlay.render.draw import draw_clip
from overlay.render.encoder import EncodeOptions
from overlay.render.output import RenderReport
from overlay.render.slowed import SlowedTimes, slowed_times
from overlay.render.source import container_of
from overlay.render.stills import still
from overlay.render.together import Side, SplitScreen, compose_clips, lasts_s, still_together
from overlay.scene import Cell, Scene, Style, scene_of, with_slowed
from overlay.session import RunAnalysis, RunOptions, analyse, correct, load, require_determined

ALPHA_SUFFIXES = (".mov", ".webm")


@dataclass(frozen=True)
class FilmRun:
    """One run to show: its files, its name, and what is known of it."""

    clip: str | Path
    logs: tuple[str | Path | Log, ...]
    name: str = ""
    options: RunOptions = field(default=RunOptions())


@dataclass(frozen=True)
class Slowdown:
    """A section to slow down: footage times, how many times, and its sound."""

    from_s: float
    to_s: float
    factor: int = 4  # 2 to 16
    sound: str = "stretched"  # ``stretched`` or ``muted``, inside the section


@dataclass(frozen=True, eq=False)
class FilmReport:
    """What was drawn."""

    runs: tuple[RunAnalysis, ...]
    # Of each run, a sentence each; the last run's end with what the file is.
    lines: tuple[tuple[str, ...], ...]


def work_out(
    runs: Sequence[FilmRun], target: str | Path, style: Style, *, progress: Progress = silent
) -> tuple[RunAnalysis, ...]:
    """Check everything that can be checked beforehand, then read, align and analyse runs."""
    named = [path for run in runs for path in (run.clip, *run.logs)]
    files = [Path(path) for path in named if not isinstance(path, Log)]
    forbid_overwriting_inputs(Path(target), files)
    style.own_layout()
    goals = style.goals
    inputs = [load(run.clip, run.logs, run.options) for run in runs]
    aligned = align_all(inputs, progress=progress)
    for one in aligned:
        require_determined(one)
    return tuple(analyse(correct(one), goals) for one in aligned)


def draw_run(
    run: FilmRun,
    target: str | Path,
    style: Style,
    *,
    encoder: EncodeOptions | None = None,
    slowdown: Slowdown | None = None,
    progress: Progress = silent,
) -> FilmReport:
    """Read, align, correct and draw one run, with a section slowed down where one is named."""
    slowed, said = None, f"wrote {target}"
    if slowdown is not None:
        container_of(Path(target))
        at_s, factor = (slowdown.from_s, slowdown.to_s), slowdown.factor
        slowed = slowed_times(probe(run.clip), *at_s, factor, sound=slowdown.sound)
        start_s, end_s = slowed.edges_s
        said += f": slowed ×{slowdown.factor} from {start_s:.2f} to {end_s:.2f} s"
    (found,) = work_out([run], target, style, progress=progress)
    scene = scene_of([Cell(found, run.name)], style)
    if slowed is not None:
        scene = with_slowed(scene, SlowedPart(*slowed.edges_s, float(slowed.factor)))
    tell = _drawing(target, progress)
    report = encoded(scene, target, encoder, slowed=slowed, tell=tell)
    return _report(scene, style, report, said)


# Many parameters: each is an option of its own on the command line and at the desk.
def draw_together(
    runs: Sequence[FilmRun],
    target: str | Path,
    style: Style,
    *,
    arrangement: str,
    encoder: EncodeOptions | None = None,
    heard: Sequence[int] | None = None,
    lead_s: float = 1.0,
    progress: Progress = silent,
) -> FilmReport:
    """Read, align and correct several runs, and write them as one film from the same launch.

    Parameters
    ----------
    runs : sequence of FilmRun
        As many as the arrangement takes, in reading order.
    heard : sequence of int, optional
        Which are heard, counted from 0; all by default, panned from left to right.
    lead_s : float
        Seconds shown before launch.

    Raises
    ------
    UndeterminedError
        If a run has no launch to align at.
    """
    division_for(arrangement, len(runs))
    found = work_out(runs, target, style, progress=progress)
    cells = [Cell(run, film.name) for run, film in zip(found, runs, strict=True)]
    scene = scene_of(cells, style, arrangement)
    tell = _drawing(target, progress)
    report = encoded(scene, target, encoder, heard=heard, lead_s=lead_s, tell=tell)
    return _report(scene, style, report, f"wrote {target}")


def still_run(
    run: FilmRun,
    at_s: float,
    target: str | Path,
    style: Style,
    *,
    progress: Progress = silent,
) -> FilmReport:
    """Write the picture of one instant, footage time in seconds, with its gauges, as PNG."""
    require_suffix(target, (".png",), "a still is written as PNG")
    length_s = probe(run.clip).duration_s
    if not 0 <= at_s <= length_s:
        raise UsageError(f"{run.clip}: no picture at {at_s:.3f} s; the clip lasts {length_s:.3f} s")
    (found,) = work_out([run], target, style, progress=progress)
    (layers,) = scene_of([Cell(found, run.name)], style).layers
    shown_s = still(found.clip, layers, at_s, target, covers=found.options.covers)
    return FilmReport((found,), ((f"wrote {target}: the picture at {shown_s:.3f} s",),))


def layer_run(
    run: FilmRun, target: str | Path, style: Style, *, progress: Progress = silent
) -> FilmReport:
    """Write the gauges of a run alone, with transparency: ``.mov`` ProRes 4444, ``.webm`` VP9."""
    require_suffix(target, ALPHA_SUFFIXES, "use .mov (ProRes 4444) or .webm (VP9)")
    (found,) = work_out([run], target, style, progress=progress)
    scene, tell = scene_of([Cell(found, run.name)], style), _drawing(target, progress)
    layers = scene.layers[0]
    report = alpha_clip(found.clip, layers, target, progress=tell)
    return _report(scene, style, report, f"wrote {target}: {report.encoder}")


def encoded(
    scene: Scene,
    target: str | Path,
    encoder: EncodeOptions | None = None,
    *,
    heard: Sequence[int] | None = None,
    lead_s: float = 1.0,
    slowed: SlowedTimes | None = None,
    tell: Callable[[float], None] = lambda share: None,
) -> RenderReport:
    """Encode a scene.

    Parameters
    ----------
    heard, lead_s
        Of several runs, see :func:`draw_together`.
    slowed : SlowedTimes, optional
        Of one run: the frames to slow down.
    tell : callable, optional
        Told the share done, 0 to 1.
    """
    if len(scene.cells) == 1:
        run = scene.cells[0].run
        return draw_clip(
            run.clip,
            scene.layers[0],
            target,
            options=encoder,
            covers=run.options.covers,
            slowed=slowed,
            progress=tell,
            metadata=scene.metadata,
        )
    return compose_clips(
        _screen(scene, heard, lead_s),
        target,
        options=encoder,
        progress=tell,
        metadata=scene.metadata,
    )


def pictured(scene: Scene, at_s: float, target: str | Path) -> None:
    """Write as PNG what the film of a scene shows at one of its times, seconds, or at its end."""
    if len(scene.cells) > 1:
        still_together(_screen(scene), at_s, target)
        return
    run = scene.cells[0].run
    at_s = min(at_s, run.clip.duration_s)
    still(run.clip, scene.layers[0], at_s, target, covers=run.options.covers)


def film_s(scene: Scene) -> float:
    """How long the film of a scene is, seconds."""
    return lasts_s(_screen(scene)) if len(scene.cells) > 1 else scene.cells[0].run.clip.duration_s


def _screen(scene: Scene, heard: Sequence[int] | None = None, lead_s: float = 1.0) -> SplitScreen:
    sides = [
        Side(cell.run.clip, cell.launch_s, layers=layers)
        for cell, layers in zip(scene.cells, scene.layers, strict=True)
    ]
    return SplitScreen(
        sides,
        scene.geometry,
        common=scene.common,
        lead_s=min(lead_s, *(cell.launch_s for cell in scene.cells)),
        heard=heard,
    )


def require_suffix(target: str | Path, allowed: Sequence[str], advice: str) -> None:
    """Refuse a target whose name does not end in one of the suffixes.

    Raises
    ------
    UsageError
        With the advice.
    """
    if Path(target).suffix.lower() not in allowed:
        raise UsageError(f"{target}: {advice}")


def _drawing(target: str | Path, progress: Progress) -> Callable[[float], None]:
    return staged(progress, f"drawing {Path(target).name}")


def _report(scene: Scene, style: Style, rendered: RenderReport, said: str) -> FilmReport:
    runs = tuple(cell.run for cell in scene.cells)
    lines = [run_lines(run, style.units) for run in runs]
    lines[-1] = (*lines[-1], *scene.notes, *rendered.notes, said)
    return FilmReport(runs, tuple(lines))
