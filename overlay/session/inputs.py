"""The first step of a run: read its clip's facts and its logs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from overlay.errors import MismatchError, UsageError
from overlay.files import require_file
from overlay.footage import probe
from overlay.logs import read_log, read_track_log
from overlay.logs.detect import detect, is_film, log_format
from overlay.logs.formats import HEAD_BYTES
from overlay.logs.model import Log
from overlay.motion.model import Box
from overlay.session.machine import machine_of
from overlay.session.model import RunInputs, RunOptions

if TYPE_CHECKING:
    from overlay.sheet import DaySheet, Run


def load(
    clip: str | Path, logs: Sequence[str | Path | Log], options: RunOptions | None = None
) -> RunInputs:
    """Read a clip's facts and its logs, and the track inside the clip where no log has a speed.

    Parameters
    ----------
    clip : path
    logs : sequence of path or Log
        The first with speed gives the speed, the first with RPM the RPM. May be empty for a clip
        with a track of its own.
    options : RunOptions, optional
        A speed log on the footage's clock sets `same_clock`, whatever they say.

    Raises
    ------
    InputError
        If a file is not what it should be.
    MismatchError
        If no log has a speed, and the clip no track.
    UsageError
        If no log is named for a clip without a track, or a part to leave out lies outside the
        picture.
    """
    options = options or RunOptions()
    facts = probe(clip)
    read = [
        log if isinstance(log, Log) else read_log(log, columns=columns_in(log, options.columns))
        for log in logs
    ]
    if all(log.speed is None for log in read):
        track = read_track_log(facts, columns=_of_device(options.columns))
        read += [track] if track is not None and track.speed is not None else []
    speed_log = next((log for log in read if log.speed is not None), None)
    if speed_log is None and not logs:
        raise UsageError(
            f"{clip}: has no track of its own; name a log of the run's speed, or let 'timetrue "
            "readout' write one where the camera burnt its speed into the picture"
        )
    if speed_log is None:
        names = ", ".join(log.path for log in read)
        raise MismatchError(f"{names}: no speed in it; name a log with GPS speed or positions")
    if speed_log.clock == "footage":
        options = replace(options, same_clock=True)
    rpm_log = next((log for log in read if log.rpm is not None), None)
    found = RunInputs(facts, tuple(read), speed_log, rpm_log, options)
    left_out(found)
    return found


def options_of(sheet: DaySheet, run: Run) -> RunOptions:
    """What a day sheet knows of a run."""
    return RunOptions(
        same_clock=run.same_clock,
        offset_s=run.offset_s,
        columns=run.column_map,
        rounding=run.rounding,
        machine=machine_of(sheet, run.build),
        rpm_from_sound=sheet.vehicle.strokes is not None,  # used where no log has the revs
    )


def columns_in(path: str | Path, columns: Mapping[str, str] | None) -> Mapping[str, str] | None:
    """The part of a column map that is about this file; None where nothing is.

    One map serves all logs of a run, of which some may be no tables, or other tables.
    """
    if not columns:
        return None
    with require_file(path).open("rb") as file:
        head = file.read(HEAD_BYTES)
    if is_film(head):
        return _of_device(columns)
    if not log_format(detect(head, str(path))).takes_columns:
        return None
    text = head.decode("utf-8-sig", "replace").lower()
    return {
        what: header
        for what, header in columns.items()
        if what != "device" and header.split(":")[0].lower() in text
    } or None


def _of_device(columns: Mapping[str, str] | None) -> Mapping[str, str] | None:
    """The part of a column map that names the device of a track inside a clip."""
    return {k: v for k, v in (columns or {}).items() if k == "device"} or None


def left_out(inputs: RunInputs) -> tuple[Box, ...]:
    """The parts of the picture that are left out when motion is measured, as shares of it.

    Raises
    ------
    UsageError
        If one lies outside the picture.
    """
    size = inputs.clip.width, inputs.clip.height
    return boxes_of((*inputs.options.covers, *inputs.options.ignore), *size)


def boxes_of(
    boxes: Sequence[tuple[float, float, float, float]], width: int, height: int
) -> tuple[Box, ...]:
    """Boxes (x, y, w, h) in pixels, or in shares where all four are at most 1, as shares.

    Raises
    ------
    UsageError
        If a box lies outside the picture, has no size, or leaves nothing of the picture.

    Examples
    --------
    >>> boxes_of([(0, 50, 100, 50), (0, 0.5, 1, 0.25)], 100, 100)
    (Box(left=0.0, top=0.5, right=1.0, bottom=1.0), Box(left=0.0, top=0.5, right=1.0, bottom=0.75))
    """
    found = []
    for box in boxes:
        x, y, w, h = box
        across, down = (1.0, 1.0) if max(box) <= 1 else (float(width), float(height))
        said = ",".join(f"{number:g}" for number in box)
        if not all(map(math.isfinite, box)) or min(x, y) < 0 or min(w, h) <= 0:
            raise UsageError(f"the box {said}: X and Y from 0, W and H above 0")
        if x >= across or y >= down:
            raise UsageError(f"the box {said} lies outside the {width}×{height} picture")
        right, bottom = min((x + w) / across, 1.0), min((y + h) / down, 1.0)
        found.append(Box(x / across, y / down, right, bottom))
        if found[-1] == Box(0.0, 0.0, 1.0, 1.0):
            raise UsageError(f"the box {said} covers the whole picture; leave a part to look at")
    return tuple(found)
