"""Make the two ready-made clips: ``python -m overlay.demo.ready_made demo_clips``."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

from overlay.demo.day import make_runs
from overlay.demo.scenario import plan_day
from overlay.errors import TimetrueError, UsageError

SIZE = (854, 480)


def main(arguments: list[str]) -> int:
    """Make them in the one folder named; returns an exit code."""
    try:
        if len(arguments) != 1:
            raise UsageError("name one folder: python -m overlay.demo.ready_made FOLDER")
        folder = Path(arguments[0])
        folder.mkdir(parents=True, exist_ok=True)
        first, second = plan_day(runs_per_build=1, size=SIZE, rng_seed=7)
        plans = (first, replace(second, log_format="nmea"))
        day = make_runs(folder, plans, workers=2, kbit_s=1500)
    except TimetrueError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    for run in day.runs:
        print(
            f"{run.clip}: launch at {run.launch_s:.3f} s, total offset {run.total_offset_s:.3f} s"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
