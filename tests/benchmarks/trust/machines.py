"""A day by four worker processes of a scheduler on this machine, against the day without one.

Run ``python -m tests.benchmarks.trust.machines`` from the checkout on a machine with nothing else
to do, with the extra ``cluster`` installed. The day's runs are copies of the ready-made day's
clips, each with a few bytes of its own at its end; all are aligned and drawn, here and by the
workers in turn, which wait for work when the time starts. Bars: 1.15 times the wall time of the
local run, and the same results byte for byte, but for notes of when a file was written. Exit code 1
if one is missed.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from overlay.errors import EXIT_TERMINATED
from tests.benchmarks.trust.kills import files
from tests.benchmarks.trust.season import make_day
from tests.demo_runs import CLIPS

BAR = 1.15
WORKERS = 4
READY_S = 60.0


@contextmanager
def standing(place: Path, workers: int) -> Iterator[str]:
    """Address of a scheduler whose workers wait for work."""
    from distributed import Client

    known = place / "scheduler.json"
    where = ["--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(known)]
    processes = [_dask("scheduler", *where)]
    try:
        end_s = time.monotonic() + READY_S
        while not (known.exists() and known.stat().st_size) and time.monotonic() < end_s:
            time.sleep(0.1)
        address = json.loads(known.read_text())["address"]
        many = ["--nworkers", str(workers), "--nthreads", "1"]
        processes.append(_dask("worker", address, *many, "--local-directory", str(place / "spill")))
        with Client(address) as client:
            client.wait_for_workers(workers, timeout=READY_S)
        yield address
    finally:
        for process in reversed(processes):
            process.terminate()
            process.wait()


def _dask(*words: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "dask", *words, "--no-dashboard"],
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[3])},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def day_s(folder: Path, *words: str) -> float:
    """Wall time of a day from its beginning."""
    shutil.rmtree(folder / "day-results", ignore_errors=True)
    begun_s = time.monotonic()
    command = [sys.executable, "-m", "overlay", "day", "run", str(folder), "--quiet", *words]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - begun_s


def main() -> int:
    """Run it; 1 if a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=8)
    parser.add_argument("--repeats", type=int, default=2)
    parser.add_argument("--workers", type=int, default=WORKERS)
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(EXIT_TERMINATED))  # the workers end too
    local_s, spread_s, differ = [], [], set[str]()
    with tempfile.TemporaryDirectory() as made, standing(Path(made), options.workers) as address:
        folder = Path(made) / "day"
        folder.mkdir()
        make_day(CLIPS, folder, options.runs, 0)
        for _ in range(options.repeats):
            local_s.append(day_s(folder))
            alone = files(folder)
            spread_s.append(day_s(folder, "--scheduler", address))
            spread = files(folder)
            differ |= {n for n in alone.keys() | spread.keys() if alone.get(n) != spread.get(n)}
    ratio = sum(spread_s) / sum(local_s)
    print(
        f"{options.runs} runs, load {os.getloadavg()[0]:.1f}: here "
        f"{', '.join(f'{s:.1f}' for s in local_s)} s; by {options.workers} workers "
        f"{', '.join(f'{s:.1f}' for s in spread_s)} s; {ratio:.2f} times (bar {BAR}); "
        f"results that differ: {', '.join(sorted(differ)) or 'none'}"
    )
    return int(ratio > BAR or bool(differ))


if __name__ == "__main__":
    sys.exit(main())
