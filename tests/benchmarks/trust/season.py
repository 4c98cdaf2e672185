"""A season's load: hundreds of runs, three of them bad, against a day of twenty.

Run ``python -m tests.benchmarks.trust.season --count 500`` from the checkout. The runs are copies
of the ready-made day's clips in small pictures, each with a few bytes of its own at its end, since
a plain copy counts as the same run; all but ``--fresh`` of them were done before, for which the
kept results of the ready-made runs stand; three have a clip cut to nothing that can be read, a log
without speed, and a log of another run. The day is stopped by SIGTERM in the middle once and goes
on. Printed are the peak memory beside that of a day of twenty, what was done twice, the time left
told and true at 10, 25, 50 and 75 % of it, and the failures. Bars: 1.2 times the memory, no run
done twice, all three bad ones named, exit code of the first of them. Exit code 1 if one is missed.
With ``--folder`` each call does one part of it: called again and again, it goes on.
"""

from __future__ import annotations

import argparse
import fcntl
import json
import os
import pty
import re
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import time
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from overlay.errors import EXIT_TERMINATED
from overlay.jobs.day_motion import (
    keep_logged,
    load_logged,
    load_motion,
    motion_key,
    motion_path,
)
from overlay.jobs.day_one import RunTask
from overlay.jobs.day_store import keep, save_run
from overlay.jobs.names import FOLDER, KEPT
from overlay.sheet import load_sheet
from tests.benchmarks.trust.kills import MARK, inputs, living

BAR = 1.2
PARTS = ("beside", "stopped", "rest")  # the day, and the season until it is told to end, and on
THROUGH = (0.1, 0.25, 0.5, 0.75)  # of the time for the runs, where the time left is looked at
ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
BAR_TEXT = re.compile(r"working out .*?(\d+):(\d\d):(\d\d)")
HEAD = "# Copies of the ready-made day.\n"


def make_day(source: Path, folder: Path, count: int, bad: int) -> None:
    """A sheet of so many runs of the two builds, the first few bad."""
    sheet = (source / "day.toml").read_text(encoding="utf-8").split("[[runs]]")[0]
    for number in range(count):
        build, log = (("A", "a1.gpx"), ("B", "b1.nmea"))[number % 2]
        name = f"{build.lower()}{number // 2 + 1}"
        with (folder / f"{name}.mp4").open("wb") as file:
            file.write((source / f"{build.lower()}1.mp4").read_bytes())
            file.write(struct.pack(">I4s8s", 16, b"free", name.encode().ljust(8)))
        if number < bad:
            kind = number % 3
            if kind == 0:
                os.truncate(folder / f"{name}.mp4", 3000)
            log = {0: log, 1: f"{build.lower()}1_revs.csv", 2: "b1.nmea"}[kind]
        sheet += f'\n[[runs]]\nname = "{name}"\nbuild = "{build}"\n'
        sheet += f'clip = "{name}.mp4"\nlogs = ["{log}"]\n'
    for file in source.iterdir():
        if file.suffix not in (".mp4", ".toml"):
            shutil.copy2(file, folder)
    (folder / "day.toml").write_text(HEAD + sheet, encoding="utf-8")


def worked_out(source: Path) -> None:
    """Work the source's own two runs out, to be taken for runs that were done before."""
    followed(source)


def keep_as_done(source: Path, folder: Path, numbers: range) -> None:
    """Keep for some runs of a day what the source's run of the same build gave."""
    known, sheet = load_sheet(source / "day.toml"), load_sheet(folder / "day.toml")
    results = folder / FOLDER
    (results / KEPT).mkdir(parents=True, exist_ok=True)
    for number in numbers:
        run = sheet.runs[number]
        like = RunTask(known, known.runs[number % 2], source / FOLDER)
        kept = source / FOLDER / KEPT
        seen, speed = load_motion(known, like.run, kept), load_logged(known, like.run, kept)
        done = like.kept_run()
        assert done is not None and seen is not None and speed is not None
        task = RunTask(sheet, run, results)
        save_run(task.kept(".npz"), task.key, replace(done, name=run.name))
        facts = {"alignment": asdict(seen[1])}
        path = motion_path(results / KEPT, run.name)
        keep(path, motion_key(sheet, run), facts, asdict(seen[0]))
        keep_logged(sheet, run, speed, results / KEPT)


def memory_mb(mark: str) -> float:
    """Memory of all processes of a command now, each page that is shared counted once."""
    total = 0
    for pid in living(mark):
        try:
            for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
                total += int(line.split()[1]) if line.startswith("Pss:") else 0
        except (OSError, ValueError, IndexError):
            continue
    return total / 1024


@dataclass(frozen=True)
class Followed:
    """How a ``day run`` went: memory in MB, times in seconds from its start."""

    code: int
    said: str
    peak_mb: float
    done: list[tuple[float, int]]  # how many runs were done when
    told: list[tuple[float, float]]  # time left that the bar of the runs told, and when


def followed(folder: Path, *, stop_at: float = 2.0) -> Followed:
    """Follow a ``day run``, told to end when that share of its runs is done."""
    mark = f"season-{os.getpid()}-{time.monotonic()}"
    screen, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 200, 0, 0))
    os.set_blocking(screen, False)
    process = subprocess.Popen(
        [sys.executable, "-m", "overlay", "day", "run", str(folder), "--no-clips"],
        env=os.environ | {MARK: mark, "TERM": "xterm", "COLUMNS": "200"},
        stdout=subprocess.DEVNULL,
        stderr=theirs,
        start_new_session=True,
    )
    os.close(theirs)
    peak, done, told, begun_s, is_stopped = 0.0, [], [], time.monotonic(), False
    kept, said = folder / "day-results" / "kept", ""
    total = (folder / "day.toml").read_text().count("[[runs]]")
    try:
        while process.poll() is None:
            peak = max(peak, memory_mb(mark))
            done.append((time.monotonic() - begun_s, kept_runs(kept)))
            if done[-1][1] >= stop_at * total and not is_stopped:
                is_stopped = True
                process.send_signal(signal.SIGTERM)
            new = heard(screen)
            said += new
            if shown := BAR_TEXT.findall(new):
                hours, minutes, seconds = map(int, shown[-1])
                told.append((done[-1][0], 3600.0 * hours + 60 * minutes + seconds))
            time.sleep(0.5)
    finally:
        process.terminate()  # where this was interrupted
        process.wait()
    said += heard(screen)
    os.close(screen)
    return Followed(process.returncode, ESCAPE.sub("", said), peak, done, told)


def heard(screen: int) -> str:
    """What has come on a screen since."""
    found = b""
    with suppress(OSError):
        while more := os.read(screen, 65536):
            found += more
    return found.decode("utf-8", "replace")


def kept_runs(kept: Path) -> int:
    """Runs that are worked out or known to fail."""
    good = (
        path
        for path in kept.glob("*.npz")
        if not path.name.endswith((".motion.npz", ".logged.npz"))
    )
    return sum(1 for _ in good) + sum(1 for _ in kept.glob("*.failed.json"))


def prepared(made: Path, count: int, beside: int, fresh: int) -> None:
    """Both days below a folder, all but so many runs of each done before."""
    for name in ("source", "day", "season"):
        shutil.rmtree(made / name, ignore_errors=True)  # of a part that was cut short
        (made / name).mkdir()
    inputs(made / "source")
    make_day(made / "source", made / "day", beside, 0)
    make_day(made / "source", made / "season", count, 3)
    worked_out(made / "source")
    for name, total in (("day", beside), ("season", count)):
        keep_as_done(made / "source", made / name, range(min(fresh, total), total))


def part(made: Path, name: str, count: int) -> None:
    """Follow one of the three day runs and note how it went."""
    season = made / "season"
    kept = season / "day-results/kept"
    before = {path: path.stat().st_mtime_ns for path in kept.glob("*.npz")}
    begun = kept_runs(kept)
    if name == "beside":
        went = followed(made / "day")
    elif name == "stopped":
        went = followed(season, stop_at=(begun + (count - begun) / 2) / count)
    else:
        went = followed(season)
    twice = [path.name for path, was in before.items() if path.stat().st_mtime_ns != was]
    said = {"went": asdict(went), "twice": twice}
    (made / f"{name}.json").write_text(json.dumps(said), encoding="utf-8")
    print(f"{name}: exit {went.code}, peak {went.peak_mb:.0f} MB", flush=True)


def judged(made: Path, count: int) -> bool:
    """Print what the parts came to; whether it is within the bars."""
    said = {name: json.loads((made / f"{name}.json").read_text("utf-8")) for name in PARTS}
    went = {name: Followed(**one["went"]) for name, one in said.items()}
    twice = [name for one in said.values() for name in one["twice"]]
    print(went["rest"].said.strip()[-600:])
    peak_mb = max(went["stopped"].peak_mb, went["rest"].peak_mb)
    share = peak_mb / went["beside"].peak_mb
    print(
        f"{count} runs: stopped with {went['stopped'].done[-1][1]} done, exit "
        f"{went['stopped'].code}, then {went['rest'].code}; peak {peak_mb:.0f} MB, {share:.2f} of "
        f"the day's (bar {BAR}); done twice: {', '.join(twice) or 'none'}"
    )
    for name in ("beside", "rest"):
        told = went[name].told
        while told and not told[0][1]:
            told = told[1:]  # the bar shows 0 before there is an estimate
        # The bar of the runs stays on the screen while the results are written.
        from_s, to_s = told[0][0], next((at_s for at_s, left_s in told if not left_s), told[-1][0])
        print(f"{name}: {told[-1][0] - to_s:.0f} s from the last run to the end")
        for at in THROUGH:
            at_s, told_s = next(t for t in told if t[0] >= from_s + at * (to_s - from_s))
            print(f"{name}, {at:.0%} through: {told_s:.0f} s left told, {to_s - at_s:.0f} true")
    codes = went["stopped"].code == EXIT_TERMINATED and went["rest"].code in (3, 4, 5)
    return share <= BAR and not twice and codes


def main() -> int:
    """Run it; 1 if a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--beside", type=int, default=20, help="runs of the day to compare with")
    parser.add_argument("--fresh", type=int, default=12, help="runs not done before, of each")
    parser.add_argument("--folder", type=Path, help="one part a call, kept there for the next")
    parser.add_argument("--seed", type=int, help="nothing here is drawn")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as passing:
        made = options.folder or Path(passing)
        made.mkdir(exist_ok=True)
        if not (made / "prepared").exists():
            prepared(made, options.count, options.beside, options.fresh)
            (made / "prepared").touch()
            if options.folder:
                return 0
        for name in PARTS:
            if not (made / f"{name}.json").exists():
                part(made, name, options.count)
                if options.folder:
                    return 0
        return int(not judged(made, options.count))


if __name__ == "__main__":
    sys.exit(main())
