"""How many small faults put into a package its tests notice.

Run ``python -m tests.benchmarks.mutants runs [--count 150] [--seed 20261127] [--skip 0]`` from the
checkout; a mutant takes as long as the package's tests need to fail, so a hundred take a quarter of
an hour or so. Cosmic Ray (extra ``dev``) makes the mutants in a copy of the checkout; the seed
draws which of them are tried, one by one with ``--skip`` where a run is to go on. Those that no
test notices are printed with their place, so that a test can be written or the reason given; a
mutant that only undoes a type hint or the like is none.
"""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from cosmic_ray.work_db import WorkDB, use_db
from cosmic_ray.work_item import TestOutcome, WorkerOutcome, WorkItem, WorkResult

ROOT = Path(__file__).resolve().parents[2]
COPIED = ("overlay", "tests", "fonts", "demo_clips", "pyproject.toml", "README.md", "LICENSE")
PYTEST = (sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider")
TIMEOUT_S = 120.0
# Annotations stay unevaluated, and a decorator's flags are no arithmetic of the program.
LEFT_OUT = ("core/RemoveDecorator", "core/ExceptionReplacer")


def copied(folder: Path) -> None:
    """The checkout, so that the mutants never touch it."""
    leave = shutil.ignore_patterns("__pycache__", ".*cache*")
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=leave)
        else:
            shutil.copyfile(source, folder / name)


def in_order(folder: Path, package: str) -> list[str]:
    """The package's test files, the quickest first, since the first failure ends a mutant."""
    took_s = {}
    for file in sorted((folder / "tests" / package).glob("test_*.py")):
        began_s = time.monotonic()
        name = str(file.relative_to(folder))
        subprocess.run([*PYTEST, name], cwd=folder, check=True, stdout=subprocess.DEVNULL)
        took_s[name] = time.monotonic() - began_s
    return sorted(took_s, key=lambda name: took_s[name])


def config(module: str, tests: list[str]) -> str:
    """What Cosmic Ray is told."""
    return (
        "[cosmic-ray]\n"
        f'module-path = "overlay/{module}"\n'
        f"timeout = {TIMEOUT_S}\n"
        "excluded-modules = []\n"
        f'test-command = "{" ".join([*PYTEST, *tests])}"\n'
        '[cosmic-ray.distributor]\nname = "local"\n'
    )


def is_arithmetic(item: WorkItem, folder: Path) -> bool:
    """Whether a mutant changes what is worked out, not a type hint such as ``float | None``."""
    (mutation,) = item.mutations
    if mutation.operator_name in LEFT_OUT:
        return False
    line = (folder / mutation.module_path).read_text().splitlines()[mutation.start_pos[0] - 1]
    hint = "BitOr" in mutation.operator_name and "None" in line
    return not hint


def drawn(db: WorkDB, folder: Path, seed: int, skip: int, count: int) -> list[WorkItem]:
    """The mutants that this seed draws; all others are marked as done."""
    items = sorted(db.work_items, key=lambda item: repr(item.mutations))
    items = [item for item in items if is_arithmetic(item, folder)]
    random.Random(seed).shuffle(items)
    chosen = items[skip : skip + count]
    print(f"{len(items)} mutants, {len(chosen)} of them tried (seed {seed}, from {skip})")
    names = {item.job_id for item in chosen}
    for item in db.work_items:
        if item.job_id not in names:
            db.set_result(item.job_id, WorkResult(worker_outcome=WorkerOutcome.SKIPPED))
    return chosen


def main() -> int:
    """Try the mutants and print the survivors; 1 where under 90 % are noticed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("module", help="a package or a module of it, such as runs/course.py")
    for name, default in (("count", 150), ("seed", 20261127), ("skip", 0)):
        parser.add_argument(f"--{name}", type=int, default=default)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        copied(folder)
        tests = in_order(folder, asked.module.split("/")[0])
        (folder / "mutants.toml").write_text(config(asked.module, tests))
        tool = [sys.executable, "-m", "cosmic_ray.cli"]
        subprocess.run([*tool, "init", "mutants.toml", "session"], cwd=folder, check=True)
        with use_db(folder / "session", WorkDB.Mode.open) as db:
            drawn(db, folder, asked.seed, asked.skip, asked.count)
        subprocess.run([*tool, "exec", "mutants.toml", "session"], cwd=folder, check=True)
        with use_db(folder / "session", WorkDB.Mode.open) as db:
            return report(db)


def report(db: WorkDB) -> int:
    """Print each survivor and the share noticed."""
    tried = survived = 0
    for item, result in db.completed_work_items:
        if result.worker_outcome == WorkerOutcome.SKIPPED:
            continue
        tried += 1
        if result.test_outcome == TestOutcome.SURVIVED:
            survived += 1
            (mutation,) = item.mutations
            print(f"{mutation.module_path}:{mutation.start_pos[0]}: {mutation.operator_name}")
            changed = [line for line in result.diff.splitlines() if line[:1] in "+-"]
            print("\n".join(f"    {line}" for line in changed[2:]))
    share = 1 - survived / max(tried, 1)
    print(f"{tried - survived} of {tried} mutants noticed: {100 * share:.1f} %")
    return int(share < 0.9)


if __name__ == "__main__":
    sys.exit(main())
