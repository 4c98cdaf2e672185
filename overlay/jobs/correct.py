"""Write the corrected speed of a run to a file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta
from pathlib import Path

from overlay.errors import UsageError
from overlay.files import forbid_overwriting_inputs
from overlay.jobs.align_all import AlignTask, align_all
from overlay.jobs.analyse import (
    PixelBox,
    analyse_run,
    read_inputs,
    require_determined,
    with_offset,
)
from overlay.jobs.progress import Progress, silent
from overlay.logs.model import ALTITUDE, LATITUDE, LONGITUDE
from overlay.report.export import write_speed_csv, write_speed_gpx
from overlay.series import Series


def correct_run(
    clip: str | Path,
    logs: Sequence[str | Path],
    target: str | Path,
    *,
    rate_hz: float = 10.0,
    same_clock: bool = False,
    offset_s: float | None = None,
    columns: Mapping[str, str] | None = None,
    ignore: Sequence[PixelBox] = (),
    progress: Progress = silent,
) -> None:
    """Align, correct, and write CSV or GPX as the target's suffix says.

    Raises
    ------
    UsageError
        If the suffix is neither ``.csv`` nor ``.gpx``.
    """
    final = Path(target)
    if final.suffix.lower() not in (".csv", ".gpx"):
        raise UsageError(f"{final}: the corrected speed is written as .csv or .gpx; end it so")
    forbid_overwriting_inputs(final, [Path(clip), *(Path(log) for log in logs)])
    inputs = read_inputs(clip, logs, columns=columns)
    task = AlignTask(inputs, same_clock, ignore)
    aligned = align_all([task], progress=progress)[0]
    if offset_s is not None:
        aligned = with_offset(aligned, offset_s, same_clock=same_clock)
    require_determined(aligned)
    run = analyse_run(aligned, goals=())
    if final.suffix.lower() == ".csv":
        write_speed_csv(final, run.kinematics, rate_hz=rate_hz)
        return
    log = inputs.speed_log
    # Positions lag on their own; without a measurement of that they stay where the clock puts
    # them, and the clock is known only as well as the total offset.
    total_s = aligned.alignment.total_offset_s or 0.0
    clock_s = aligned.alignment.clock_offset_s
    place = total_s if clock_s is None else clock_s

    def moved(name: str) -> Series | None:
        series = log.channels.get(name)
        return None if series is None else series.shifted(-place)

    write_speed_gpx(
        final,
        run.kinematics,
        start_utc=None if log.start_utc is None else log.start_utc + timedelta(seconds=place),
        latitude=moved(LATITUDE),
        longitude=moved(LONGITUDE),
        altitude=moved(ALTITUDE),
        rate_hz=rate_hz,
    )
