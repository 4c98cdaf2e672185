"""A speed that a camera burnt in, read back as a log, and taken from there to a true gauge."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs, written_whole
from overlay.footage import probe
from overlay.footage.upright import Box
from overlay.jobs.cameras import draw_cameras
from overlay.jobs.film import FilmReport, FilmRun, draw_run
from overlay.logs.model import SPEED, Log
from overlay.progress import Progress, silent, staged
from overlay.readout import Readout, read_readout
from overlay.render.encoder import EncodeOptions
from overlay.scene import Style
from overlay.session import AlignedRun, RunOptions, align, load


@dataclass(frozen=True)
class BurntIn:
    """What is known of a speed burnt into the picture."""

    box: Box | None = None  # x, y, width, height, displayed pixels
    unit: str | None = None


ANYWHERE = BurntIn()


def readout_of(
    clip: str | Path,
    *,
    where: BurntIn = ANYWHERE,
    progress: Progress = silent,
) -> Readout:
    """Read the speed burnt into a clip."""
    tell = staged(progress, f"reading {Path(clip).name}")
    return read_readout(probe(clip), box=where.box, unit=where.unit, progress=tell)


def write_readout(
    clip: str | Path,
    target: str | Path,
    *,
    where: BurntIn = ANYWHERE,
    progress: Progress = silent,
) -> Readout:
    """Read the speed burnt into a clip, and write it as a log in CSV."""
    final = Path(target)
    if final.suffix.lower() != ".csv":
        raise UsageError(f"{target}: the log is written as .csv")
    forbid_overwriting_inputs(final, [Path(clip)])
    found = readout_of(clip, where=where, progress=progress)
    write_log(final, found)
    return found


def write_log(target: str | Path, found: Readout) -> None:
    """One row for each value that the readout took, or passed: footage time and speed.

    Where it follows the speed at once, the header says that each row is the passing of a speed
    between two figures, and a log read from it takes them as exact.

    Raises
    ------
    OutputError
        If the target cannot be written.
    """
    places = found.decimals + found.updates.passed
    with written_whole(target) as path, path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        said = "passed speed" if found.updates.passed else "speed"
        rows.writerow(["footage time (s)", f"{said} ({found.unit})"])
        for t_s, value in zip(found.updates.t_s, found.updates.values, strict=True):
            rows.writerow([f"{t_s:.4f}", f"{value:.{places}f}"])


def readout_log(found: Readout) -> Log:
    """The speed that was read, on the footage's clock."""
    return Log(
        path=f"the readout in {Path(found.path).name}",
        format="readout",
        clock="footage",
        start_utc=None,
        channels={SPEED: found.speed},
        speed_source="one burnt into the picture",
    )


def _with_readout(options: RunOptions, found: Readout) -> RunOptions:
    """Options of a run that covers what was read, and knows how well it is dated."""
    covers = (*options.covers, found.box)
    return replace(options, covers=covers, log_sigma_s=found.updates.common_sigma_s)


def align_readout(
    clip: str | Path,
    logs: Sequence[str | Path],
    options: RunOptions,
    *,
    where: BurntIn = ANYWHERE,
    progress: Progress = silent,
) -> AlignedRun:
    """Set a burnt-in speed against the footage that it stands in; `logs` may add RPM."""
    found = readout_of(clip, where=where, progress=progress)
    inputs = load(clip, (readout_log(found), *logs), _with_readout(options, found))
    aligned = align(inputs, progress=progress)
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
    also: Sequence[str | Path] = (),
    encoder: EncodeOptions | None = None,
    progress: Progress = silent,
) -> FilmReport:
    """Read a burnt-in speed, take its lag out, cover it and draw the true gauge.

    With clips of other cameras, beside them (:func:`overlay.jobs.cameras.draw_cameras`).
    """
    forbid_overwriting_inputs(Path(target), [Path(run.clip)])
    found = readout_of(run.clip, where=where, progress=progress)
    options = _with_readout(run.options, found)
    film = replace(run, logs=(readout_log(found), *run.logs), options=options)
    if also:
        report = draw_cameras(film, also, target, style, encoder=encoder, progress=progress)
    else:
        report = draw_run(film, target, style, encoder=encoder, progress=progress)
    first, *others = report.lines
    return replace(report, lines=((*readout_lines(found), *first), *others))


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
    if updates.passed:
        lines.append(
            f"{len(updates.t_s)} values: 0 at rest, and the middle between two figures at each "
            f"change from one to the next, seen to ± {1000 * np.sqrt(3) * updates.sigma_s:.0f} ms"
        )
    elif updates.rate_hz is None:
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
        "updates_are_passings": found.updates.passed,
        "updates_s": found.updates.t_s.tolist(),
        "values": found.updates.values.tolist(),
    }
