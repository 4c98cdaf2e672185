"""How many small faults put into a package its tests notice.

Run ``python -m tests.benchmarks.mutants runs [--count 150] [--seed 20261127] [--skip 0]`` from the
checkout, or name a module such as ``runs/course.py``. Cosmic Ray (extra ``dev``) makes the mutants
in a copy of the checkout; the seed draws which are tried, and ``--skip`` goes on behind those of an
earlier run; ``--tests`` names the test files of a module where the package's are slow. Each is
tried in a fork of this process, which holds the big libraries already: two seconds or so for one
that is noticed, as long as the tests take for one that is not. The latter are printed with their
place, so that a test can be written or the reason given.

Survivors met in ``runs`` that no test can notice: a limit that no float meets exactly (``>`` for
``>=``), small whole numbers compared by ``is``, an initial value of a maximum over values that
are never below it, a median taken as equal to 0 where it cannot be below, and a power for a product
where the exponents are ones. Not worth a test of its own: a seventh jump explained in one pass
(six bound the work), and the floor of 0.5 m/s under the first clear reading, which a receiver's
noise of 0.1 m/s already exceeds.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

import numpy  # noqa: F401 - what tests import is loaded once, before the forks
import pytest
import scipy.linalg
import scipy.optimize
import scipy.signal
import scipy.stats  # noqa: F401
from cosmic_ray.commands.init import init
from cosmic_ray.mutating import use_mutation
from cosmic_ray.plugins import get_operator
from cosmic_ray.work_db import WorkDB, use_db
from cosmic_ray.work_item import MutationSpec

ROOT = Path(__file__).resolve().parents[2]
COPIED = ("overlay", "tests", "fonts", "demo_clips", "pyproject.toml")
PYTEST = ("-x", "-q", "-p", "no:cacheprovider", "-p", "no:warnings")
LIMIT_S = 300
LEAST_SHARE = 0.9


def copied(folder: Path) -> None:
    """The checkout, so that the mutants never touch it."""
    leave = shutil.ignore_patterns("__pycache__", ".*cache*")
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=leave)
        else:
            shutil.copyfile(source, folder / name)


def passes(folder: Path, tests: list[str]) -> bool:
    """Whether the tests pass, in a fork; one that takes too long does not."""
    child = os.fork()
    if child == 0:
        os.chdir(folder)
        os.setsid()
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        sys.dont_write_bytecode = True
        sys.path[:] = [str(folder), *(p for p in sys.path if p not in ("", str(ROOT)))]
        for name in [n for n in sys.modules if n.split(".")[0] in ("tests", "overlay")]:
            del sys.modules[name]
        # Of processor time, since other work on the machine is no fault of the mutant's.
        resource.setrlimit(resource.RLIMIT_CPU, (LIMIT_S, LIMIT_S))
        os._exit(int(pytest.main([*PYTEST, *tests])))
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status) == 0


def quickest_first(folder: Path, files: Iterable[Path]) -> list[str]:
    """Test files, the quickest first, since the first failure ends a mutant."""
    took_s = {}
    for name in sorted(map(str, files)):
        began_s = time.monotonic()
        if not passes(folder, [name]):
            raise SystemExit(f"{name}: fails without a mutant; get it right first")
        took_s[name] = time.monotonic() - began_s
    return sorted(took_s, key=lambda name: took_s[name])


def mutants(folder: Path, module: str) -> list[MutationSpec]:
    """Every mutant that changes what is worked out, not a type hint such as ``float | None``."""
    target = folder / "overlay" / module
    files = sorted(target.glob("*.py")) if target.is_dir() else [target]
    with use_db(folder / "session", WorkDB.Mode.create) as db:
        init(files, db, {})
        every = [mutation for item in db.work_items for mutation in item.mutations]
    lines = {file: file.read_text().splitlines() for file in files}

    def counts(mutation: MutationSpec) -> bool:
        line = lines[mutation.module_path][mutation.start_pos[0] - 1]
        hint = "BitOr" in mutation.operator_name and ("None" in line or "FloatArray |" in line)
        return not hint and "RemoveDecorator" not in mutation.operator_name

    return sorted(filter(counts, every), key=repr)


def shown(mutation: MutationSpec, folder: Path, before: str, after: str) -> str:
    """Place, kind and changed line of a mutant."""
    at = mutation.start_pos[0] - 1
    old, new = (text.splitlines()[at].strip() for text in (before, after))
    place = mutation.module_path.relative_to(folder)
    return f"{place}:{at + 1}: {mutation.operator_name}\n    - {old}\n    + {new}"


def main() -> int:
    """Try the mutants and print the survivors; 1 where too few are noticed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("module", help="a package or a module of it, such as runs/course.py")
    for name, default in (("count", 150), ("seed", 20261127), ("skip", 0)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--tests", nargs="+", help="these files, not all tests of the package")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        copied(folder)
        files = asked.tests or (ROOT / "tests" / asked.module.split("/")[0]).glob("test_*.py")
        tests = quickest_first(folder, [Path(file).resolve().relative_to(ROOT) for file in files])
        every = mutants(folder, asked.module)
        random.Random(asked.seed).shuffle(every)
        chosen = every[asked.skip : asked.skip + asked.count]
        print(f"{len(every)} mutants; {len(chosen)} tried from {asked.skip}, seed {asked.seed}")
        survived = 0
        for mutation in chosen:
            operator = get_operator(mutation.operator_name)(**mutation.operator_args)
            with use_mutation(mutation.module_path, operator, mutation.occurrence) as (old, new):
                if passes(folder, tests):
                    survived += 1
                    print(shown(mutation, folder, old, new), flush=True)
        noticed = len(chosen) - survived
        print(f"{noticed} of {len(chosen)} mutants noticed: {100 * noticed / len(chosen):.1f} %")
        return int(noticed < LEAST_SHARE * len(chosen))


if __name__ == "__main__":
    sys.exit(main())
