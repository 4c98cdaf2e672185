"""A film of one run by several cameras: on board, and beside the track.

A clip from beside the track is set against the one on board by the engine's sound, or where that
cannot tell by how the vehicle sets off in both pictures.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from overlay.engine.trackside import Apart, clocks_apart
from overlay.errors import UndeterminedError, UsageError
from overlay.files import forbid_overwriting_inputs
from overlay.footage import luma_frames, probe, read_sound
from overlay.footage.model import ClipFacts, LumaFrame, Sound
from overlay.gauges.canvas import Rgba
from overlay.gauges.palette import build_hue
from overlay.jobs.film import FilmReport, FilmRun, encoded, work_out
from overlay.jobs.text import run_lines
from overlay.motion.beside import WIDTH_PX, Beside, clock_beside
from overlay.progress import Progress, silent, staged
from overlay.render.encoder import EncodeOptions
from overlay.scene import Cell, Scene, Style, scene_of
from overlay.scene.layers import Layer
from overlay.session import RunAnalysis
from overlay.units import Z95

MOST_OTHERS = 3
HEARD_HZ = 16000
LEAD_S = 1.0
COVER_LEVEL = 24  # of a plate over a wrong readout


def draw_cameras(
    run: FilmRun,
    others: Sequence[str | Path],
    target: str | Path,
    style: Style,
    *,
    encoder: EncodeOptions | None = None,
    progress: Progress = silent,
) -> FilmReport:
    """Draw a run's figures on its clip and, beside it, on the clips of other cameras.

    Parameters
    ----------
    run : FilmRun
        Its clip is the one on board, which gives the truth.
    others : sequence of path
        One to three, each set against the clip on board by the sound of the engine, or by how the
        vehicle sets off in the picture.

    Raises
    ------
    UndeterminedError
        If neither sound nor picture can tell how a clip lies against the one on board.
    """
    if len(others) > MOST_OTHERS:
        raise UsageError(f"--also {others[MOST_OTHERS]}: at most {MOST_OTHERS} other clips")
    forbid_overwriting_inputs(Path(target), [Path(other) for other in others])
    facts = [probe(other) for other in others]
    (found,) = work_out([run], target, style, progress=progress)
    on_board = read_sound(found.clip.path, rate_hz=HEARD_HZ, mono=True)
    cells, lines = [Cell(found, "on board", build_hue(0))], [run_lines(found, style.units)]
    for number, clip in enumerate(facts, 1):
        clock = clock_of(clip, found, on_board, progress)
        aligned = found.aligned
        inputs = replace(
            aligned.inputs, clip=clip, options=replace(aligned.inputs.options, covers=())
        )
        there = replace(found, aligned=replace(aligned, inputs=inputs))
        name = "trackside" if len(facts) == 1 else f"trackside {number}"
        cells.append(Cell(moved(there, clock.offset_s, clock.sigma_s), name, build_hue(0)))
        lines.append(clock.lines)
    scene = _covered(scene_of(cells, style, "grid"))
    tell = staged(progress, f"drawing {Path(target).name}")
    report = encoded(scene, target, encoder, heard=[0], lead_s=LEAD_S, tell=tell)
    lines[-1] = (*lines[-1], *scene.notes, *report.notes, f"wrote {target}")
    return FilmReport(tuple(cell.run for cell in cells), tuple(lines))


def moved(run: RunAnalysis, by_s: float, sigma_s: float) -> RunAnalysis:
    """The same run on a clock that shows `by_s` more, known to `sigma_s` (one standard deviation).

    Times between two instants stay as sure as they are; what is shown at an instant is less sure.
    """
    k, launch = run.kinematics, run.launch
    rollout_s = None if launch is None or launch.rollout_at_s is None else launch.rollout_at_s
    return replace(
        run,
        kinematics=replace(
            k,
            t_s=k.t_s + by_s,
            timing_sigma_s=float(np.hypot(k.timing_sigma_s, sigma_s)),
            launch_s=None if k.launch_s is None else k.launch_s + by_s,
        ),
        launch=None
        if launch is None
        else replace(
            launch,
            at_s=launch.at_s + by_s,
            rollout_at_s=None if rollout_s is None else rollout_s + by_s,
        ),
        rpm=None if run.rpm is None else run.rpm.shifted(by_s),
        splits=tuple(
            replace(split, at_s=None if split.at_s is None else split.at_s + by_s)
            for split in run.splits
        ),
        marks=tuple(
            replace(mark, start_s=mark.start_s + by_s, end_s=mark.end_s + by_s)
            for mark in run.marks
        ),
    )


@dataclass(frozen=True)
class Clock:
    """A second camera's footage time less that on board, and what is said of it."""

    offset_s: float
    sigma_s: float
    lines: tuple[str, ...]


def clock_of(
    clip: ClipFacts, run: RunAnalysis, on_board: Sound | None, progress: Progress = silent
) -> Clock:
    """The clock of a clip from beside the track.

    Parameters
    ----------
    on_board : Sound or None
        Of the clip on board, at `HEARD_HZ`.

    Raises
    ------
    UndeterminedError
        If neither sound nor picture tells.
    """
    k = run.kinematics
    sound = read_sound(clip.path, rate_hz=HEARD_HZ, mono=True)
    if sound is None or on_board is None:
        by_sound = Apart(reason="it, or the clip on board, has no sound")
    else:
        by_sound = clocks_apart(on_board, sound, k.t_s, k.distance_m)
    if by_sound.offset_s is not None and by_sound.interval_s is not None:
        return _clock(by_sound.offset_s, by_sound.interval_s, apart_lines(by_sound))
    seen = clock_beside(_watched(clip, progress), k.t_s, k.distance_m, k.speed_mps)
    if seen.offset_s is None or seen.interval_s is None:
        raise UndeterminedError(
            f"{clip.path}: cannot be set against {run.clip.path}: by sound, {by_sound.reason}; by "
            f"its picture, {seen.reason}"
        )
    return _clock(seen.offset_s, seen.interval_s, seen_lines(seen, str(by_sound.reason)))


def _watched(clip: ClipFacts, progress: Progress) -> Iterator[LumaFrame]:
    """Its pictures, the longer side `WIDTH_PX`, so that memory stays bounded."""
    tell = staged(progress, f"watching {Path(clip.path).name}")
    width = min(WIDTH_PX, max(2, WIDTH_PX * clip.width // clip.height))
    for frame in luma_frames(clip.path, width=width):
        tell(frame.t_s / max(clip.duration_s, 1e-9))
        yield frame
    tell(1.0)


def _clock(offset_s: float, interval_s: tuple[float, float], lines: tuple[str, ...]) -> Clock:
    half_s = (interval_s[1] - interval_s[0]) / 2
    first = (
        f"its clock shows {offset_s:+.3f} ± {half_s:.3f} s (95 %) more than the one on board at "
        "the same instant, "
    )
    return Clock(offset_s, half_s / Z95, (first + lines[0], *lines[1:]))


def apart_lines(apart: Apart) -> tuple[str, ...]:
    """What the sound says of another camera, a sentence each; the first goes on from the clock."""
    return (
        f"by the engine's sound (alike to {apart.alike:.2f}); the speed drawn on it is that much "
        "less sure",
        f"the camera stands about {apart.camera_m:.0f} m along the run, taken for a straight line: "
        f"the engine sounds there at {apart.lowest:.2f} to {apart.highest:.2f} of its own pitch "
        "(Doppler), and as late as the way through the air makes it, which is taken off",
    )


def seen_lines(seen: Beside, by_sound: str) -> tuple[str, ...]:
    """What the picture says of another camera, a sentence each, as :func:`apart_lines`."""
    return (
        f"by {seen.corners} corners on the vehicle as it sets off, lifts or brakes in both "
        "pictures; the speed drawn on it is that much less sure",
        f"its sound does not tell: {by_sound}",
        "another run at the same pace would look alike by this evidence: make sure that the clip "
        "is of this run",
    )


def _covered(scene: Scene) -> Scene:
    """The scene with a plate over each part of the clip on board that is to be hidden."""
    run, pane = scene.cells[0].run, scene.geometry.panes[0]
    across, down = pane.width / run.clip.width, pane.height / run.clip.height
    plates = []
    for x, y, wide, high in run.options.covers:
        left, top = pane.x + int(x * across) // 2 * 2, pane.y + int(y * down) // 2 * 2
        size = (
            min(int(high * down) // 2 * 2 + 2, pane.bottom - top),
            min(int(wide * across) // 2 * 2 + 2, pane.right - left),
        )
        plates.append(Layer(left, top, size[1], size[0], _plate(*size), lambda _: 0))
    first, *others = scene.layers
    return replace(scene, layers=((*plates, *first), *others))


def _plate(high: int, wide: int) -> Callable[[float], Rgba]:
    picture = np.full((high, wide, 4), COVER_LEVEL, np.uint8)
    picture[..., 3] = 255
    return lambda _: picture
