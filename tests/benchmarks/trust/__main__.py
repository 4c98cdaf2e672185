"""The whole campaign in one command, each part in a process of its own, seeds printed.

Run ``python -m tests.benchmarks.trust`` from the checkout: damaged inputs, inputs in the right
shape with hostile values (hypothesis), inputs guided by coverage (atheris, where it is installed),
random kills, places that will not do, a season's load. ``--share 0.01`` does a hundredth of each
count. The parts are commands of their own, each with ``--help``. Exit code 1 if any fails.
"""

from __future__ import annotations

import argparse
import importlib.util
import subprocess
import sys
from collections.abc import Sequence

# Cases of each part, a kind where it has kinds: over 20,000 a parser in all.
PARTS = {"inputs": 20_000, "written": 10_000, "guided": 20_000, "kills": 300, "season": 500}
UNCOUNTED = ("places",)
NEEDS = {"written": "hypothesis", "guided": "atheris"}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the parts; 1 if any fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--share", type=float, default=1.0, help="of each count")
    parser.add_argument("--seed", type=int, default=20260527)
    parser.add_argument("--part", choices=[*PARTS, *UNCOUNTED], action="append")
    options = parser.parse_args(arguments)
    failed = []
    for part in options.part or [*PARTS, *UNCOUNTED]:
        if part in NEEDS and importlib.util.find_spec(NEEDS[part]) is None:
            print(f"{part}: left out, since {NEEDS[part]} is not installed", flush=True)
            continue
        command = [sys.executable, "-m", f"tests.benchmarks.trust.{part}"]
        if part in PARTS:
            command += ["--count", str(max(1, round(options.share * PARTS[part])))]
            command += ["--seed", str(options.seed)]
        if subprocess.run(command, check=False).returncode:
            failed.append(part)
    print("all passed" if not failed else f"failed: {', '.join(failed)}")
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
