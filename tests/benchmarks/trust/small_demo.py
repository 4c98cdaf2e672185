"""``timetrue demo`` in small pictures, one good run a build, else as the command does it."""

from __future__ import annotations

from functools import partial

import overlay.jobs.demo
from overlay.cli.main import run

if __name__ == "__main__":
    small = partial(overlay.jobs.demo.run_demo, size=(426, 240), runs_per_build=1)
    overlay.jobs.demo.run_demo = small
    run()
