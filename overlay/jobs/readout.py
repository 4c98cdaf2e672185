"""A speed that a camera burnt in, read back as a log, and taken from there to a true gauge."""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs, written_whole
from overlay.footage import probe
from overlay.footage.upright import Box
from overlay.jobs.film import FilmReport, FilmRun, draw_run
from overlay.progress import Progress, silent, staged
from overlay.readout import Readout, read_readout
from overlay.render.encoder import EncodeOptions
from overlay.scene import Style
from overlay.session import AlignedRun, RunOptions, align, load

LOG_NAME = "readout.csv"


@dataclass(frozen=True)
class BurntIn:
    """What is known of a speed burnt into the picture.

    Attributes
    ----------
    box : (x, y, width, height) or None
        Where it stands, displayed pixels.
    unit : str or None
    """

    box: Box | None = None
    unit: str | None = None


ANYWHERE = BurntIn()


def readout_of(
    clip: str | Path,
    *,
    where: BurntIn = ANYWHERE,
    progress: Progress = silent,
) -> Readout:
    """Read the speed burnt into a clip.

    Raises
    ------
    TimetrueError
        As the message says.
    """
    tell = staged(progress, f"reading {Path(clip).name}")
    return read_readout(probe(clip), box=where.box, unit=where.unit, progress=tell)


def write_readout(
    clip: str | Path,
    target: str | Path,
    *,
    where: BurntIn = ANYWHERE,
    progress: Progress = silent,
) -> Readout:
    """Read the speed burnt into a clip, and write it as a log in CSV.

    Raises
    ------
    TimetrueError
        As the message says; then the target is as it was.
    """
    final = Path(target)
    if final.suffix.lower() != ".csv":
        raise UsageError(f"{target}: the log is written as .csv")
    forbid_overwriting_inputs(final, [Path(clip)])
    found = readout_of(clip, where=where, progress=progress)
    write_log(final, found)
    return found


def write_log(target: str | Path, found: Readout) -> None:
    """One row for each value that the readout took: footage time and speed as shown.

    Raises
    ------
    OutputError
        If the target cannot be written.
    """
    with written_whole(target) as path, path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["footage time (s)", f"speed ({found.unit})"])
        for t_s, value in zip(found.updates.t_s, found.updates.values, strict=True):
            rows.writerow([f"{t_s:.4f}", f"{value:.{found.decimals}f}"])


@contextmanager
def readout_log(
    clip: str | Path,
    options: RunOptions,
    *,
    where: BurntIn = ANYWHERE,
    progress: Progress = silent,
) -> Iterator[tuple[Path, RunOptions, Readout]]:
    """The log of a burnt-in speed, and the options of a run that covers it.

    Raises
    ------
    TimetrueError
        As the message says.
    """
    found = readout_of(clip, where=where, progress=progress)
    covers = (*options.covers, found.box)
    with tempfile.TemporaryDirectory(prefix="timetrue-") as folder:
        log = Path(folder) / LOG_NAME
        write_log(log, found)
        yield log, replace(options, same_clock=True, covers=covers), found


def align_readout(
    clip: str | Path,
    logs: Sequence[str | Path],
    options: RunOptions,
    *,
    where: BurntIn = ANYWHERE,
    progress: Progress = silent,
) -> AlignedRun:
    """Set a burnt-in speed against the footage that it stands in; `logs` may add RPM.

    Raises
    ------
    TimetrueError
        As the message says.
    """
    with readout_log(clip, options, where=where, progress=progress) as (log, own, found):
        aligned = align(load(clip, (log, *logs), own), progress=progress)
    alignment = aligned.alignment
    return replace(
        aligned, alignment=replace(alignment, notes=(*alignment.notes, *readout_lines(found)))
    )


def draw_readout(
    run: FilmRun,
    target: str | Path,
    style: Style,
    *,
    where: BurntIn = ANYWHERE,
    encoder: EncodeOptions | None = None,
    progress: Progress = silent,
) -> FilmReport:
    """Read a burnt-in speed, take its lag out, cover it and draw the true gauge.

    Raises
    ------
    TimetrueError
        As the message says; then the target is as it was.
    """
    forbid_overwriting_inputs(Path(target), [Path(run.clip)])
    with readout_log(run.clip, run.options, where=where, progress=progress) as (log, own, found):
        film = replace(run, logs=(log, *run.logs), options=own)
        report = draw_run(film, target, style, encoder=encoder, progress=progress)
    return replace(report, lines=((*readout_lines(found), *report.lines[0]),))


def readout_lines(found: Readout) -> tuple[str, ...]:
    """What was read and how sure it is, a sentence each."""
    places, count = found.decimals, len(found.t_s)
    low, high = float(np.nanmin(found.shown)), float(np.nanmax(found.shown))
    lines = [
        f"{found.unit} at {','.join(map(str, found.box))}: {low:.{places}f} to {high:.{places}f}",
        f"{found.read} of {count} frames read",
    ]
    lost = count - found.read - found.struck
    if lost:
        lines.append(f"{lost} frames show no number, or a part of one, and are left out")
    if found.struck:
        lines.append(f"{found.struck} frames were struck: their figures fit no neighbours in time")
    wrong = int(np.count_nonzero(found.misread))
    lines.append(
        f"read one by one, {wrong} frames differ from the record; a single frame is misread in at "
        f"most {100 * found.error_limit:.1f} % (95 %), and the frames beside it set that right"
    )
    updates = found.updates
    if updates.rate_hz is None:
        lines.append(
            f"{len(updates.t_s)} changes, at no even rate; their times are seen to a frame"
        )
    else:
        lines.append(
            f"{len(updates.t_s)} values, {updates.rate_hz:g} a second, each dated to "
            f"± {1000 * max(np.sqrt(3) * updates.sigma_s, 0.001):.0f} ms"
        )
    return tuple(lines)


def readout_json(found: Readout) -> dict[str, object]:
    """The same for ``--json``."""
    return {
        "clip": found.path,
        "box": list(found.box),
        "unit": found.unit,
        "decimals": found.decimals,
        "frames": len(found.t_s),
        "frames_read": found.read,
        "frames_struck": found.struck,
        "frames_misread_alone": int(np.count_nonzero(found.misread)),
        "single_frame_error_limit": found.error_limit,
        "update_rate_hz": found.updates.rate_hz,
        "update_sigma_s": found.updates.sigma_s,
        "updates_s": found.updates.t_s.tolist(),
        "values": found.updates.values.tolist(),
    }
