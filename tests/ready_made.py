"""Make the two ready-made clips: ``python -m tests.ready_made demo_clips``."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

from overlay.demo.clip import Coding
from overlay.demo.day import film, write_day
from overlay.demo.recorder import record_speed
from overlay.demo.scenario import plan_day
from overlay.demo.vehicle import simulate
from tests.simulation import write_nmea

SIZE = (854, 480)
KBIT_S = 1500


def main(folder: Path) -> None:
    """One run of each build; the second one's speed as NMEA 0183."""
    plans = plan_day(runs_per_build=1, size=SIZE, rng_seed=7)
    first, second = (film(plan, folder, coding=Coding(KBIT_S)) for plan in plans)
    record = record_speed(simulate(plans[1].build.vehicle, plans[1].drive), plans[1].receiver)
    (folder / second.speed_log).unlink()
    second = replace(second, speed_log=f"{second.name}.nmea")
    write_nmea(folder / second.speed_log, record)
    write_day(folder, (first, second))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
