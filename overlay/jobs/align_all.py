"""Align the runs of one output, long clips in a process whose memory goes when it is done."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from overlay.jobs.analyse import AlignedRun, PixelBox, RunInputs, align_run, named_short
from overlay.jobs.machine import Machine
from overlay.jobs.parallel import cores, in_parallel
from overlay.jobs.progress import Progress, silent
from overlay.jobs.rpm import separate_by_sound

APART_FROM_S = 5.0  # for shorter clips a process takes longer to start than to look at them


@dataclass(frozen=True, eq=False)
class AlignTask:
    """A run to align: its inputs, and what is known of them.

    Attributes
    ----------
    inputs : RunInputs
    same_clock : bool
    ignore : sequence of (x, y, w, h) in pixels
        Parts of the picture to leave out.
    machine : Machine
    """

    inputs: RunInputs
    same_clock: bool = False
    ignore: Sequence[PixelBox] = ()
    machine: Machine = field(default=Machine())


def align_all(tasks: Sequence[AlignTask], *, progress: Progress = silent) -> list[AlignedRun]:
    """Align each run, and tell lag from clock by the engine's sound where that can be heard.

    Decoding a clip and fitting its lag leave much memory behind that the encoder needs next; so
    long clips are worked on in another process. Two cores work on each clip.
    """
    apart = any(task.inputs.clip.duration_s >= APART_FROM_S for task in tasks)
    return in_parallel(
        _aligned,
        tasks,
        workers=max(1, cores() // 2) if apart else 1,
        apart=apart,
        stage=_watching([task.inputs.clip.path for task in tasks]),
        progress=progress,
    )


def _aligned(task: AlignTask, tell: Callable[[float], None]) -> AlignedRun:
    one = align_run(
        task.inputs,
        same_clock=task.same_clock,
        ignore=task.ignore,
        progress=lambda _stage, share: tell(share),
    )
    engine = task.machine
    return separate_by_sound(one, cylinders=engine.cylinders, strokes=engine.strokes)


def _watching(paths: Sequence[str]) -> str:
    what = named_short(paths[0]) if len(paths) == 1 else f"{len(paths)} clips"
    return f"watching {what}"
