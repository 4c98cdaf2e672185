"""Places that will not do: a full disk, a folder that is read only, inputs that change meanwhile.

Run ``python -m tests.benchmarks.trust.places`` from the checkout, as the superuser of Linux for the
full disk. Each command must end with a documented code and one line, without a traceback, with its
inputs unchanged and nothing half-made. Exit code 1 if one does not.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

from tests.benchmarks.trust.kills import files, inputs

DRAW = ["draw", "a1.mp4", "a1.gpx", "-q", "-o"]
DAY = ["day", "run", ".", "-q", "--workers", "2"]
Command = tuple[int, str]


def command(words: list[str], folder: Path, *, most_bytes: int | None = None) -> Command:
    """Exit code and standard error of a command, perhaps with a limit on the size of a file."""
    limit = [] if most_bytes is None else ["prlimit", f"--fsize={most_bytes}"]
    done = subprocess.run(
        [*limit, sys.executable, "-m", "overlay", *words],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, done.stderr


def small_files(folder: Path) -> Command:
    return command([*DRAW, "out.mp4"], folder, most_bytes=200_000)


def small_files_of_a_day(folder: Path) -> Command:
    return command(DAY, folder, most_bytes=200_000)


def full_disk(folder: Path) -> Command:
    place = folder / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(place)]
    subprocess.run(mount, check=True)
    try:
        code, said = command([*DRAW, "disk/out.mp4"], folder)
        assert not list(place.iterdir()), f"left: {list(place.iterdir())}"
        return code, said
    finally:
        subprocess.run(["umount", str(place)], check=True)


def full_disk_of_a_day(folder: Path) -> Command:
    place = folder / "day-results"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(place)]
    subprocess.run(mount, check=True)
    try:
        code, said = command(DAY, folder)
        assert not list(place.rglob("*.part*")), f"left: {list(place.rglob('*.part*'))}"
        return code, said
    finally:
        subprocess.run(["umount", str(place)], check=True)


def read_only(folder: Path) -> Command:
    place = folder / "shut"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "ro", "tmpfs", str(place)]
    subprocess.run(mount, check=True)
    try:
        return command([*DRAW, "shut/out.mp4"], folder)
    finally:
        subprocess.run(["umount", str(place)], check=True)


def cut_while_read(folder: Path) -> Command:
    """A clip is cut to half while it is drawn, as by a copy that begins anew."""
    clip = folder / "changing.mp4"
    shutil.copy2(folder / "a1.mp4", clip)

    def cut() -> None:
        time.sleep(4)
        os.truncate(clip, clip.stat().st_size // 2)

    thread = threading.Thread(target=cut)
    thread.start()
    found = command(["draw", "changing.mp4", "a1.gpx", "-q", "-o", "out.mp4"], folder)
    thread.join()
    clip.unlink()
    if found[0] == 0:
        (folder / "out.mp4").unlink()
    return found


def two_at_once(folder: Path) -> Command:
    """Two commands on one folder: one works, the other says so in one line."""
    found: list[Command] = []
    threads = [
        threading.Thread(target=lambda: found.append(command([*DAY, "--no-clips"], folder)))
        for _ in range(2)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    codes = sorted(code for code, _ in found)
    shutil.rmtree(folder / "day-results")
    assert codes == [0, 8], f"both ended with {codes}"
    return next(one for one in found if one[0])


TRIALS: dict[Callable[[Path], Command], tuple[int, ...]] = {
    small_files: (8,),
    small_files_of_a_day: (8, 9),
    full_disk: (8,),
    full_disk_of_a_day: (8, 9),
    read_only: (8,),
    cut_while_read: (0, 3, 5, 9),
    two_at_once: (8,),
}


def main() -> int:
    """Run each; 1 if any fails."""
    failed = 0
    with tempfile.TemporaryDirectory() as made:
        for trial, codes in TRIALS.items():
            folder = Path(made) / trial.__name__
            folder.mkdir()
            inputs(folder)
            before = files(folder)
            try:
                code, said = trial(folder)
                assert code in codes, f"exit {code}: {said[-500:]}"
                assert code == 0 or "timetrue: " in said or ": " in said, said
                assert "Traceback" not in said and "unforeseen" not in said, said[-1500:]
                after = {n: d for n, d in files(folder).items() if "day-results" not in n}
                assert after == before, f"now there: {sorted(after.keys() ^ before.keys())}"
                print(
                    f"{trial.__name__}: exit {code}: {said.strip().splitlines()[-1:]}", flush=True
                )
            except (AssertionError, subprocess.CalledProcessError) as error:
                failed += 1
                print(f"{trial.__name__}: WRONG: {error}", flush=True)
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
