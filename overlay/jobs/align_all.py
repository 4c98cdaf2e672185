"""Align the runs of one output, long clips in a process whose memory goes when it is done."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from overlay.jobs.parallel import in_parallel
from overlay.progress import Progress, silent
from overlay.session import AlignedRun, RunInputs
from overlay.session import steps as session
from overlay.session.steps import named_short
from overlay.system import cores

APART_FROM_S = 5.0  # for shorter clips a process takes longer to start than to look at them


def align_all(runs: Sequence[RunInputs], *, progress: Progress = silent) -> list[AlignedRun]:
    """Align each run.

    Decoding a clip and fitting its lag leave much memory behind that the encoder needs next; so
    long clips are worked on in another process. Two cores work on each clip.
    """
    apart = any(run.clip.duration_s >= APART_FROM_S for run in runs)
    what = named_short(runs[0].clip.path) if len(runs) == 1 else f"{len(runs)} clips"
    return in_parallel(
        _aligned,
        runs,
        workers=max(1, cores() // 2) if apart else 1,
        apart=apart,
        stage=f"watching {what}",
        progress=progress,
    )


def _aligned(run: RunInputs, tell: Callable[[float], None]) -> AlignedRun:
    return session.align(run, progress=lambda _stage, share: tell(share))
