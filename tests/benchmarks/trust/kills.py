"""Commands killed at random: nothing lost, nothing half-made, no leftovers after the next start.

Run ``python -m tests.benchmarks.trust.kills --count 300`` from the checkout (Linux). Each trial
starts ``draw``, ``pair`` or ``day run`` on small clips, or a small ``demo``, waits for a part of
the time that the whole takes, drawn by the seed, and sends SIGINT, SIGTERM or SIGKILL to the
command, or SIGKILL to one of its workers or its encoder. Then it is checked that

- all its processes are gone, after SIGINT and SIGTERM within 2 s;
- inputs are unchanged, and whatever has a final name is byte for byte that of an uninterrupted run;
- the same command, run again, ends well, gives byte for byte the results of an uninterrupted one,
  and leaves no part of a file behind.

Exit code 1 if anything fails; ``--case N`` repeats one. With ``--folder`` the uninterrupted runs
are kept there, and ``--first N --for-s S`` does what comes next in that time; each folder may have
a process of its own. What ends late when told to is listed with the load of the machine, which
makes it late too: to be repeated when there is none.

A trial costs what the command costs, so the clips have 60 pictures, the program is compiled once,
and the dearer commands come less often.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import asdict, dataclass
from pathlib import Path

from overlay.errors import WeakProofError
from overlay.render.encoder import ffmpeg_path
from tests.demo_runs import CLIPS

SEED = 20260527
GONE_S = 2.0
MARK = "TIMETRUE_TRIAL"
JOBS = {
    "draw": ["draw", "a1.mp4", "a1.gpx", "-o", "out.mp4"],
    "pair": ["pair", "a1.mp4", "a1.gpx", "b1.mp4", "b1.nmea", "-o", "out.mp4"],
    "day": ["day", "run", ".", "--workers", "2"],
    "demo": ["demo", "demo"],
}
# How often each comes: a demo takes ten times a draw's time.
SHARES = {"draw": 8, "pair": 6, "day": 5, "demo": 1}
SECONDS, RATE_HZ = 6, 10  # of the clips here
SMALL = "tests.benchmarks.trust.small_demo"
WAYS = (
    ("command", signal.SIGINT),
    ("command", signal.SIGTERM),
    ("command", signal.SIGKILL),
    ("worker", signal.SIGKILL),
    ("encoder", signal.SIGKILL),
)
# The lock, and notes of when a file was written.
NOT_COMPARED = (".held", ".clip.json", "page.json")


@dataclass(frozen=True)
class Reference:
    """An uninterrupted run of one job."""

    took_s: float
    code: int  # a film of few small pictures may not be proved
    made: dict[str, str]  # digest of each file


def inputs(folder: Path, seconds: float = 9, rate_hz: float = 15) -> None:
    """The launches of the ready-made day in small pictures, few a second."""
    for file in CLIPS.iterdir():
        if file.suffix != ".mp4":
            shutil.copy2(file, folder)
            continue
        command = [ffmpeg_path(), "-v", "error", "-i", str(file), "-t", str(seconds)]
        command += ["-vf", f"scale=428:240,fps={rate_hz}", "-c:v", "libx264", "-preset", "veryfast"]
        command += ["-crf", "20", "-c:a", "copy", "-map_metadata", "0"]
        subprocess.run([*command, str(folder / file.name)], check=True)


def files(folder: Path) -> dict[str, str]:
    """Digest of each file below a folder."""
    return {
        str(path.relative_to(folder)): hashlib.blake2b(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.endswith(NOT_COMPARED)
    }


def fresh(source: Path, folder: Path) -> Path:
    """A folder with the inputs, whose clips keep their times of change."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(source, folder, copy_function=shutil.copy2)
    return folder


def started(job: str, folder: Path, mark: str) -> subprocess.Popen[str]:
    env = os.environ | {MARK: mark, "PYTHONPATH": str(Path(__file__).parents[3])}
    env["PYTHONPYCACHEPREFIX"] = str(folder.parent / "compiled")
    env.pop("PYTHONDONTWRITEBYTECODE", None)
    return subprocess.Popen(
        [sys.executable, "-m", SMALL if job == "demo" else "overlay", *JOBS[job], "--quiet"],
        cwd=folder,
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def living(mark: str) -> dict[int, str]:
    """Command lines of all processes that a command started, itself too, by their ids."""
    found = {}
    for place in Path("/proc").iterdir():
        try:
            if f"{MARK}={mark}\0".encode() in (place / "environ").read_bytes() + b"\0":
                words = (place / "cmdline").read_bytes().decode("utf-8", "replace")
                if words:
                    found[int(place.name)] = words.replace("\0", " ")
        except (OSError, ValueError):
            continue
    return found


def victim(kind: str, command: int, mark: str) -> int | None:
    if kind == "command":
        return command
    wanted = "spawn_main" if kind == "worker" else "ffmpeg"
    return next((pid for pid, words in living(mark).items() if wanted in words), None)


def reference(job: str, source: Path, folder: Path) -> Reference:
    """An uninterrupted run; the one that is kept beside the source, where there is one."""
    kept = source.parent / f"{job}.json"
    if kept.exists():
        return Reference(**json.loads(kept.read_text("utf-8")))
    fresh(source, folder)
    begun_s = time.monotonic()
    process = started(job, folder, f"reference-{job}")
    said = process.communicate()[1]
    if process.returncode not in (0, WeakProofError.exit_code):
        raise RuntimeError(f"{job} alone ended with {process.returncode}: {said}")
    made = Reference(time.monotonic() - begun_s, process.returncode, files(folder))
    kept.write_text(json.dumps(asdict(made)), encoding="utf-8")
    return made


def trial(
    number: int, seed: int, source: Path, folder: Path, references: dict[str, Reference]
) -> tuple[str, list[str], float]:
    """What was done, what is wrong, and how long a command that was told to end took, seconds."""
    rng = random.Random(f"{seed} {number}")
    jobs = list(references)
    (job,) = rng.choices(jobs, [SHARES[name] for name in jobs])
    kind, way = rng.choice(WAYS)
    known, mark = references[job], f"trial-{os.getpid()}-{number}"
    fresh(source, folder)
    before = files(folder)
    process = started(job, folder, mark)
    wait_s = rng.uniform(0.0, 1.1) * known.took_s
    about = f"case {number}: {job}, {way.name} to its {kind} after {wait_s:.1f} s"
    latest_s = time.monotonic() + wait_s
    while time.monotonic() < latest_s and process.poll() is None:
        time.sleep(0.02)
    pid = victim(kind, process.pid, mark)
    if pid is None or process.poll() is not None:
        about += " (not there)"
    else:
        try:
            os.kill(pid, way)
        except ProcessLookupError:
            about += " (gone)"
    wrong, told_s = [], time.monotonic()
    try:
        said = process.communicate(timeout=20 + 3 * known.took_s)[1]
    except subprocess.TimeoutExpired:
        process.kill()
        said, wrong = process.communicate()[1], ["hung"]
    while living(mark) and time.monotonic() < told_s + 20:
        time.sleep(0.02)
    gone_s = time.monotonic() - told_s
    if left := living(mark):
        wrong.append(f"processes left: {left}")
        for one in left:
            os.kill(one, signal.SIGKILL)
    told = kind == "command" and way is not signal.SIGKILL
    if "Traceback" in said or "resource_tracker" in said:
        wrong.append(f"said: {said[-300:]}")
    now = files(folder)
    wrong += [f"input changed: {name}" for name, was in before.items() if now.get(name) != was]
    for name in now.keys() & known.made.keys():
        if name.endswith((".mp4", ".npz")) and now[name] != known.made[name]:
            wrong.append(f"{name} is not that of an uninterrupted run")
    again = started(job, folder, mark)
    said = again.communicate()[1]
    if again.returncode != known.code:
        wrong.append(f"again: exit {again.returncode}: {said[-300:]}")
    now = files(folder)
    differ = sorted(
        name for name in now.keys() | known.made.keys() if now.get(name) != known.made.get(name)
    )
    wrong += [f"again: {name} is not that of an uninterrupted run" for name in differ]
    return about, wrong, gone_s if told else 0.0


def main() -> int:
    """Run the trials; 1 if any fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--for-s", type=float, default=float("inf"), help="begin none after that")
    parser.add_argument("--folder", type=Path, help="keep the uninterrupted runs there")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--case", type=int)
    parser.add_argument("--job", choices=JOBS, action="append", help="all by default")
    options = parser.parse_args()
    cases = range(options.first, options.first + options.count)
    cases = cases if options.case is None else [options.case]
    failed, done, slowest, begun_s = 0, Counter[str](), [0.0], time.monotonic()
    with tempfile.TemporaryDirectory() as passing:
        made = options.folder or Path(passing)
        source, folder = made / "source", made / "day"
        if not source.exists():
            source.mkdir(parents=True)
            inputs(source, SECONDS, RATE_HZ)
        references = {}
        for job in options.job or JOBS:
            if time.monotonic() - begun_s < options.for_s:
                references[job] = reference(job, source, folder)
        for number in cases:
            if time.monotonic() - begun_s > options.for_s:
                break
            about, wrong, gone_s = trial(number, options.seed, source, folder, references)
            failed += bool(wrong)
            done[about.split(": ")[1].split(" after")[0]] += 1
            slowest.append(gone_s)
            if gone_s > GONE_S:
                late = f"took {gone_s:.2f} s to end; load {os.getloadavg()[0]:.1f}"
                print(about, late, sep="\n  ", flush=True)
            if wrong:
                print(about, *wrong, sep="\n  ", flush=True)
    late = sum(gone_s > GONE_S for gone_s in slowest)
    print(
        f"kills, seed {options.seed}, from {options.first}: {done.total()} trials, {failed} wrong; "
        f"{late} took more than {GONE_S:g} s to end when told to, the slowest {max(slowest):.2f} s"
    )
    print("; ".join(f"{count} × {what}" for what, count in sorted(done.items())))
    return int(failed > 0 or late > 0)


if __name__ == "__main__":
    sys.exit(main())
