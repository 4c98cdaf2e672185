"""How many small faults put into a package its tests notice.

Run ``python -m tests.benchmarks.mutants runs [--count 150] [--seed 20261129]`` from the checkout,
or name a module such as ``runs/course.py``. Cosmic Ray (extra ``dev``) makes the mutants in a copy
of the checkout; the seed draws which are tried. ``--tests`` names the test files of a module where
the package's are slow, ``--functions`` takes those mutants only that lie in functions of such name.

First every test file runs once without a mutant, in which it is noted which test meets which line
and how long it takes; ``--known FILE`` keeps that for the next call. A mutant is then tried by the
tests that meet its statement (its function where none does), quickest first, to the first failure.
Each is tried in a fork of one process that holds all tests, by exchanging the code of functions;
what a module holds besides them, in a fork that reads all anew. Survivors are printed with number
and place, so that a test can be written or the reason given; ``--pick`` tries mutants by number
again, and ``--for-s`` with ``--skip`` cuts the work into parts.

Survivors that no test can notice, met in every package: a limit that no float meets exactly (``>``
for ``>=``), words and small whole numbers compared by ``is``, an initial value of a maximum over
values that are never below it, a power for a product where the exponents are ones. What was found
in each package stands in ``README.md`` beside this module.
"""

from __future__ import annotations

import argparse
import ast
import builtins
import hashlib
import json
import os
import random
import re
import resource
import shutil
import sys
import tempfile
import time
import types
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy  # noqa: F401 - what tests import is loaded once, before the forks
import pydantic  # noqa: F401
import pytest
import scipy.linalg
import scipy.optimize
import scipy.signal
import scipy.stats  # noqa: F401
from _pytest.runner import runtestprotocol
from cosmic_ray.commands.init import init
from cosmic_ray.mutating import use_mutation
from cosmic_ray.plugins import get_operator
from cosmic_ray.work_db import WorkDB, use_db
from cosmic_ray.work_item import MutationSpec

ROOT = Path(__file__).resolve().parents[2]
COPIED = ("overlay", "tests", "fonts", "demo_clips", "pyproject.toml")
PYTEST = ("-x", "-q", "-p", "no:cacheprovider", "-p", "no:warnings")
LIMIT_S, LIMIT_FACTOR = 10, 4  # processor time: that much, and so many times what the tests take
NOTE = "_note_that_this_is_met"
BUCKETS_S = (0.05, 0.3, 2.0, 10.0)  # tests are begun by their time, roughly
SOUND_S = 0.3  # tests as quick as that must pass with the code exchanged for itself
LEAST_SHARE = 0.9
Tried = Callable[[Path, dict[str, float], float], bool]  # a module's file, tests, limit: noticed?


@dataclass
class Met:
    """Statements of the package met by each test of a file, and how long each took."""

    lines: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    took_s: dict[str, float] = field(default_factory=dict)


class Noting(ast.NodeTransformer):
    """Puts a call before every statement that tells its place."""

    def __init__(self, file: str) -> None:
        self.file = file

    def visit(self, node: ast.AST) -> Any:
        self.generic_visit(node)
        for name in ("body", "orelse", "finalbody"):
            block = getattr(node, name, None)
            if isinstance(block, list) and block and isinstance(block[0], ast.stmt):
                setattr(node, name, self.noted(block))
        return node

    def noted(self, block: list[ast.stmt]) -> list[ast.stmt]:
        out: list[ast.stmt] = []
        for at, one in enumerate(block):
            words = isinstance(one, ast.Expr) and isinstance(one.value, ast.Constant)
            future = isinstance(one, ast.ImportFrom) and one.module == "__future__"
            if not (future or (at == 0 and words)):
                place = ast.Constant(f"{self.file}:{one.lineno}")
                out.append(ast.Expr(ast.Call(ast.Name(NOTE, ast.Load()), [place], [])))
            out.append(one)
        return out


class Watch:
    """A plugin of pytest that notes which statements each test meets."""

    def __init__(self) -> None:
        self.met, self.now = Met(), ""

    def note(self, place: str) -> None:
        self.met.lines[self.now].add(place)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.now, began_s = item.nodeid, time.monotonic()
        try:
            return (yield)
        finally:
            self.met.took_s[item.nodeid] = time.monotonic() - began_s
            self.now = ""

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Iterator[None]:
        before = self.now
        if fixturedef.scope != "function":  # what it meets, all tests of the file may lean on
            self.now = ""
        try:
            return (yield)
        finally:
            self.now = before


class Ordered:
    """A plugin of pytest that runs the tests that meet a mutant only, the quickest first."""

    def __init__(self, took_s: dict[str, float]) -> None:
        self.took_s = took_s

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = ordered(items, self.took_s)


def ordered(items: list[pytest.Item], took_s: dict[str, float]) -> list[pytest.Item]:
    """Those of the items whose times are given, the quickest first, else in their order."""

    def place(item: pytest.Item) -> int:
        return sum(took_s[item.nodeid] > limit_s for limit_s in BUCKETS_S)

    return sorted((item for item in items if item.nodeid in took_s), key=place)


class Campaign:
    """A plugin of pytest that tries mutants in forks of the process that holds all tests."""

    def __init__(self, trial: Callable[[Tried], None]) -> None:
        self.trial = trial

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self.trial(lambda file, took_s, limit_s: fails(session.items, file, took_s, limit_s))
        return True


def fails(items: list[pytest.Item], file: Path, took_s: dict[str, float], limit_s: float) -> bool:
    """Whether a test fails, in a fork, with the functions of a module as its file has them now."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            quietly(limit_s)
            swap(file)
            chosen = ordered(items, took_s)
            pairs = zip(chosen, [*chosen[1:], None], strict=True)
            reports = (r for one, then in pairs for r in runtestprotocol(one, False, then))
            code = int(any(report.failed for report in reports))
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status) != 0


def swap(file: Path) -> None:
    """Give the functions of a module that is loaded the code that its file holds now."""
    loaded = [m for m in sys.modules.values() if getattr(m, "__file__", None) == str(file)]
    for module in loaded:  # one that is not is read from its file by the test that needs it
        now = types.ModuleType(module.__name__)
        now.__dict__.update(__file__=module.__file__, __package__=module.__package__)
        sys.modules[module.__name__] = now  # dataclasses look their module up
        exec(compile(file.read_text(), str(file), "exec"), now.__dict__)
        sys.modules[module.__name__] = module
        for name, new in vars(now).items():
            exchange(vars(module).get(name), new, module.__name__)


def exchange(old: Any, new: Any, module: str) -> None:
    """The code of a function, or of a class's functions, of a module's own."""
    if getattr(new, "__module__", None) != module or old is None:
        return
    if isinstance(new, type):
        for name, part in vars(new).items():
            for inner in (part, *(getattr(part, n, None) for n in ("__func__", "fget", "func"))):
                if isinstance(inner, types.FunctionType) and inner.__module__ == module:
                    held = vars(old).get(name)
                    held = (
                        held
                        if inner is part
                        else next(
                            getattr(held, n)
                            for n in ("__func__", "fget", "func")
                            if hasattr(held, n)
                        )
                    )
                    exchange(held, inner, module)
        return
    old, new = (getattr(one, "__wrapped__", one) for one in (old, new))
    if isinstance(new, types.FunctionType):
        old.__code__, old.__defaults__ = new.__code__, new.__defaults__
        old.__kwdefaults__ = new.__kwdefaults__


def quietly(limit_s: float) -> None:
    """A fork says nothing, leaves no compiled file, and takes no longer than that."""
    os.setsid()
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    sys.dont_write_bytecode = True
    # Of processor time, since other work on the machine is no fault of the mutant's.
    resource.setrlimit(resource.RLIMIT_CPU, (int(limit_s), int(limit_s)))


def at_home(folder: Path) -> None:
    """This process takes program and tests from the copy."""
    os.chdir(folder)
    sys.path[:] = [str(folder), *(p for p in sys.path if p not in ("", str(ROOT)))]
    for name in [n for n in sys.modules if n.split(".")[0] in ("tests", "overlay")]:
        del sys.modules[name]


def copied(folder: Path) -> None:
    """The checkout, so that the mutants never touch it."""
    leave = shutil.ignore_patterns(".*cache*")
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=leave)
        else:
            shutil.copyfile(source, folder / name)


def passes(folder: Path, tests: list[str], plugin: Watch | Ordered, limit_s: float) -> bool:
    """Whether the tests pass, in a fork; one that takes too long does not."""
    child = os.fork()
    if child == 0:
        quietly(limit_s)
        at_home(folder)
        if isinstance(plugin, Watch):
            setattr(builtins, NOTE, plugin.note)
        code = int(pytest.main([*PYTEST, *tests], plugins=[plugin]))
        if isinstance(plugin, Watch):
            lines = {test: sorted(met) for test, met in plugin.met.lines.items()}
            (folder / "met.json").write_text(json.dumps([lines, plugin.met.took_s]))
        os._exit(code)
    _, status = os.waitpid(child, 0)
    # 5: a file that holds no test, such as a module without an example.
    return os.waitstatus_to_exitcode(status) in (0, 5)


def digest(folder: Path, test: str) -> str:
    """Of all that a test file's outcome depends on: the program, helpers of tests, itself."""
    files = [*folder.glob("overlay/**/*.py"), *folder.glob("tests/**/*.py")]
    others = {f for f in files if f.name.startswith("test_") or "benchmarks" in f.parts}
    kept = sorted({*files} - others | {folder / test.split("::")[0]})
    parts = [f"{file.relative_to(folder)}\0{file.read_text()}" for file in kept]
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


def watched(
    folder: Path, targets: list[Path], tests: list[str], known: Path, until_s: float
) -> dict[str, Met]:
    """What each test file meets of the targets; the files must pass without a mutant."""
    kept = json.loads(known.read_text()) if known.exists() else {}
    found = {}
    texts = {target: target.read_text() for target in targets}
    of = " ".join(str(target.relative_to(folder)) for target in targets)
    keys = {test: f"{digest(folder, test)} {of}" for test in tests}
    for target, text in texts.items():
        noting = Noting(str(target.relative_to(folder)))
        target.write_text(ast.unparse(ast.fix_missing_locations(noting.visit(ast.parse(text)))))
    for test, key in keys.items():
        if key not in kept:
            if time.monotonic() > until_s:
                raise SystemExit("time is over: call again to go on")
            if not passes(folder, [test], Watch(), 10_000):
                raise SystemExit(f"{test}: fails without a mutant; get it right first")
            kept[key] = json.loads((folder / "met.json").read_text())
            known.write_text(json.dumps(kept))
        lines, took_s = kept[key]
        found[test] = Met({name: set(met) for name, met in lines.items()}, took_s)
    for target, text in texts.items():
        target.write_text(text)
    return found


def statement(tree: ast.Module, line: int) -> tuple[int, str, int]:
    """Where the innermost statement around a line begins; its function, and that one's first."""
    begins, name, first = line, "", 0
    for node in ast.walk(tree):  # the outer before the inner
        if isinstance(node, ast.stmt) and node.lineno <= line <= (node.end_lineno or 0):
            begins = node.lineno
            if isinstance(node, ast.FunctionDef) and line >= node.body[0].lineno:
                name = node.name
                first = node.body[-1 if len(node.body) == 1 else 1].lineno
    return begins, name, first


def is_hint(tree: ast.Module, mutation: MutationSpec) -> bool:
    """Whether a mutant only changes what is said of types, or how arguments are given."""
    at = mutation.start_pos

    def holds(node: ast.AST | None) -> bool:
        if not isinstance(node, ast.expr | ast.stmt):
            return False
        end = (node.end_lineno or 0, node.end_col_offset or 0)
        return (node.lineno, node.col_offset) <= at < end

    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign) and holds(node.annotation):
            return True
        if isinstance(node, ast.FunctionDef) and holds(node) and at[0] < node.body[0].lineno:
            values = (*node.args.defaults, *node.args.kw_defaults, *node.decorator_list)
            return not any(map(holds, values))
    return False


def mutants(folder: Path, module: str, functions: str) -> list[MutationSpec]:
    """Every mutant that changes what is worked out, not a type hint such as ``float | None``."""
    target = folder / "overlay" / module
    files = sorted(target.glob("*.py")) if target.is_dir() else [target]
    with use_db(folder / "session", WorkDB.Mode.create) as db:
        init(files, db, {})
        every = [mutation for item in db.work_items for mutation in item.mutations]
    texts = {file: file.read_text() for file in files}
    lines = {file: text.splitlines() for file, text in texts.items()}
    trees = {file: ast.parse(text) for file, text in texts.items()}

    def counts(mutation: MutationSpec) -> bool:
        line = lines[mutation.module_path][mutation.start_pos[0] - 1]
        hint = "BitOr" in mutation.operator_name and ("None" in line or "FloatArray |" in line)
        if hint or "RemoveDecorator" in mutation.operator_name:
            return False
        if not functions:
            return True
        name = statement(trees[mutation.module_path], mutation.start_pos[0])[1]
        return re.search(functions, name) is not None

    return sorted(filter(counts, every), key=repr)


def meeting(met: dict[str, Met], place: str, is_everywhere: bool = False) -> dict[str, float]:
    """Tests that meet a statement, and how long each takes; with one at import, all of its file."""
    found: dict[str, float] = {}
    for of in met.values():
        hit = {name for name, lines in of.lines.items() if place in lines}
        whole = "" in hit or (is_everywhere and hit)
        found |= of.took_s if whole else {name: of.took_s[name] for name in hit}
    return found


def survives(
    folder: Path, mutation: MutationSpec, met: dict[str, Met], in_fork: Tried
) -> str | None:
    """Place, kind and changed line of a mutant that the tests pass with."""
    file = mutation.module_path.relative_to(folder)
    tree = ast.parse(mutation.module_path.read_text())
    begins, name, first = statement(tree, mutation.start_pos[0])
    took_s = meeting(met, f"{file}:{begins}", not name) or meeting(met, f"{file}:{first}")
    operator = get_operator(mutation.operator_name)(**mutation.operator_args)
    with use_mutation(mutation.module_path, operator, mutation.occurrence) as (before, after):
        limit_s = LIMIT_S + LIMIT_FACTOR * sum(took_s.values())
        files = sorted({name.split("::")[0] for name in took_s})
        if name and in_fork(mutation.module_path, took_s, limit_s):
            return None
        # What a module holds besides functions is had by all that import it: all begins anew.
        if not name and files and not passes(folder, files, Ordered(took_s), limit_s):
            return None
    at = mutation.start_pos[0] - 1
    old, new = (text.splitlines()[at].strip() for text in (before, after))
    by = f"met by {len(took_s)} tests"
    return f"{file}:{at + 1}: {mutation.operator_name}, {by}\n    - {old}\n    + {new}"


def asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("module", help="a package or a module of it, such as runs/course.py")
    for name, default in (("count", 150), ("seed", 20261127), ("skip", 0), ("for-s", 10**6)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--tests", nargs="+", help="these files, not all tests of the package")
    parser.add_argument("--functions", default="", help="in functions that this pattern finds")
    parser.add_argument("--pick", nargs="+", type=int, help="these mutants, by number")
    parser.add_argument("--known", type=Path, help="file that keeps which test meets which line")
    return parser.parse_args()


def main() -> int:
    """Try the mutants and print the survivors; 1 where too few are noticed."""
    ask = asked()
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place).resolve()
        copied(folder)
        target = folder / "overlay" / ask.module
        files = ask.tests or (ROOT / "tests" / ask.module.split("/")[0]).glob("test_*.py")
        tests = sorted(str(Path(file).resolve().relative_to(ROOT)) for file in files)
        # Its examples are tests as well.
        own = sorted(target.glob("*.py")) if target.is_dir() else [target]
        tests += [str(file.relative_to(folder)) for file in own if ">>>" in file.read_text()]
        known = ask.known or folder / "known.json"
        met = watched(folder, own, tests, known, began_s + ask.for_s)
        every = mutants(folder, ask.module, ask.functions)
        random.Random(ask.seed).shuffle(every)
        chosen = ask.pick or range(ask.skip, min(ask.skip + ask.count, len(every)))
        print(f"{len(every)} mutants, seed {ask.seed}; known after", end=" ")
        print(f"{time.monotonic() - began_s:.0f} s", flush=True)
        count = {"tried": 0, "survived": 0}

        def trial(in_fork: Tried) -> None:
            quick = {n: s for of in met.values() for n, s in of.took_s.items() if s < SOUND_S}
            if any(in_fork(file, quick, 10_000) for file in own):
                raise SystemExit("tests fail without a mutant where code is exchanged")
            for number in chosen:
                if time.monotonic() - began_s > ask.for_s:
                    print(f"time is over: go on with --skip {number}")
                    break
                file = every[number].module_path
                if is_hint(ast.parse(file.read_text()), every[number]):
                    continue
                count["tried"] += 1
                if said := survives(folder, every[number], met, in_fork):
                    count["survived"] += 1
                    print(f"{number}: {said}", flush=True)

        at_home(folder)
        sys.dont_write_bytecode = True
        if int(pytest.main([*PYTEST, "-s", *tests], plugins=[Campaign(trial)])) > 1:
            raise SystemExit("the tests cannot be collected")
        noticed, tried = count["tried"] - count["survived"], count["tried"]
        print(f"{noticed} of {tried} mutants noticed, in {time.monotonic() - began_s:.0f} s")
        return int(noticed < LEAST_SHARE * tried)


if __name__ == "__main__":
    sys.exit(main())
