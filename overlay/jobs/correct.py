"""Write the corrected speed of a run to a file."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

from overlay.files import forbid_overwriting_inputs
from overlay.jobs.align_all import align_all
from overlay.jobs.film import require_suffix
from overlay.logs.model import ALTITUDE, LATITUDE, LONGITUDE
from overlay.progress import Progress, silent
from overlay.report.export import write_speed_csv, write_speed_gpx
from overlay.series import Series
from overlay.session import CorrectedRun, RunOptions, correct, load


def correct_run(
    clip: str | Path,
    logs: Sequence[str | Path],
    target: str | Path,
    options: RunOptions | None = None,
    *,
    rate_hz: float = 10.0,
    progress: Progress = silent,
) -> CorrectedRun:
    """Align, correct, and write CSV or GPX as the target's suffix says.

    Raises
    ------
    UsageError
        If the suffix is neither ``.csv`` nor ``.gpx``.
    """
    final = Path(target)
    require_suffix(final, (".csv", ".gpx"), "the corrected speed is written as .csv or .gpx")
    forbid_overwriting_inputs(final, [Path(clip), *(Path(log) for log in logs)])
    (aligned,) = align_all([load(clip, logs, options)], progress=progress)
    run = correct(aligned)
    if final.suffix.lower() == ".csv":
        write_speed_csv(final, run.kinematics, rate_hz=rate_hz)
        return run
    log, found = aligned.inputs.speed_log, aligned.alignment
    # Positions lag on their own; without a measurement of that they stay where the clock puts
    # them, and the clock is known only as well as the total offset.
    place_s = found.total_offset_s or 0.0 if found.clock_offset_s is None else found.clock_offset_s

    def moved(name: str) -> Series | None:
        series = log.channels.get(name)
        return None if series is None else series.shifted(-place_s)

    write_speed_gpx(
        final,
        run.kinematics,
        start_utc=None if log.start_utc is None else log.start_utc + timedelta(seconds=place_s),
        latitude=moved(LATITUDE),
        longitude=moved(LONGITUDE),
        altitude=moved(ALTITUDE),
        rate_hz=rate_hz,
    )
    return run
