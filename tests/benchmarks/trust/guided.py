"""Inputs grown towards unseen branches of the parsers, by their coverage.

Run ``python -m tests.benchmarks.trust.guided --kind gpx --count 20000`` from the checkout, with the
fuzzer ``atheris`` installed. It starts from the good files of
:mod:`tests.benchmarks.trust.parsers`, keeps what reaches new branches of the program, and stops at
the first input that is answered by an unforeseen error, takes 5 s or needs 1 GiB; that input is
kept (``--keep FOLDER``) and its name printed. Exit code 1 if there is one.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

LONGEST_S = 5
MOST_MB = 1024
SEED = 20260527
LONGEST_INPUT = 1 << 16


def work(kind: str, folder: Path, words: list[str]) -> None:
    """Fuzz one kind; in a process of its own, which the fuzzer ends."""
    import atheris

    parts = ("logs", "sheet", "gauges", "footage")
    named = [*(f"overlay.{part}" for part in parts), "dateutil", "fitdecode"]
    with atheris.instrument_imports(include=named):
        from tests.benchmarks.trust.inputs import judged

    path = folder / "run.log"

    def one(data: bytes) -> None:
        path.write_bytes(data)
        result = judged(kind, path)
        if result not in ("read", "refused"):
            raise RuntimeError(result)

    atheris.Setup([sys.argv[0], *words], one)
    atheris.Fuzz()


def campaign(kind: str, seed: int, count: int, keep: Path) -> bool:
    """Run and print the cases of one kind; whether all passed."""
    from tests.benchmarks.trust.parsers import PARSERS

    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        (folder / "corpus").mkdir()
        for index, data in enumerate(PARSERS[kind].good()):
            (folder / "corpus" / str(index)).write_bytes(data)
        command = [sys.executable, "-m", "tests.benchmarks.trust.guided", "--child", kind]
        command += ["--folder", made, "--", f"-seed={seed}", f"-runs={count}"]
        command += [f"-timeout={6 * LONGEST_S}", f"-rss_limit_mb={MOST_MB}", "-print_final_stats=1"]
        command += [f"-max_len={LONGEST_INPUT}", f"-artifact_prefix={made}/", made + "/corpus"]
        done = subprocess.run(
            command, capture_output=True, text=True, errors="replace", check=False
        )
        said = {
            name: int(match[1]) if (match := re.search(pattern, done.stderr)) else 0
            for name, pattern in (
                ("cases", r"number_of_executed_units:\s*(\d+)"),
                ("new", r"new_units_added:\s*(\d+)"),
                ("peak", r"peak_rss_mb:\s*(\d+)"),
            )
        }
        bad = [path for path in folder.iterdir() if re.match("(crash|timeout|oom)-", path.name)]
        for path in bad:
            keep.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, keep / f"{kind}-{path.name}")
    print(
        f"{kind}, guided by coverage, seed {seed}: {said['cases']} cases, {said['new']} of them on "
        f"new branches, {len(bad)} wrong; peak memory {said['peak']} MiB",
        flush=True,
    )
    if bad or done.returncode:
        print("\n".join(done.stderr.splitlines()[-30:]), flush=True)
    return done.returncode == 0 and not bad and said["cases"] > 0


def main() -> int:
    """Run the cases; 1 if any fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", action="append", help="all by default")
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--keep", type=Path, default=Path("fuzz-found"))
    parser.add_argument("--child", help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("words", nargs="*", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        work(options.child, options.folder, options.words)
        return 0
    from tests.benchmarks.trust.parsers import PARSERS

    kinds = options.kind or list(PARSERS)
    passed = [campaign(kind, options.seed, options.count, options.keep) for kind in kinds]
    return int(not all(passed))


if __name__ == "__main__":
    sys.exit(main())
