"""Accuracy of the offset, the whole of it in one table.

    python -m tests.benchmarks.accuracy [--quick]

Simulated records against the bound, rendered footage, and real data, all scored by the rule of
``score.py``. Exit code 1 when a bar is missed. ``--quick`` takes a few minutes of one core, the
whole about half an hour.
"""

from __future__ import annotations

import argparse
import sys

from tests.benchmarks.accuracy import footage, real, series, street
from tests.benchmarks.accuracy.score import HEADER


def main() -> int:
    """Measure and print; 1 when a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="few trials and scenes")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    quick = bool(options.quick)
    print(HEADER)
    print("-- simulated records")
    missed = series.measure(series.SHORT, 30 if quick else 200, options.workers)
    print("-- rendered footage")
    scenes = list(footage.QUICK if quick else footage.SCENES)
    missed += footage.measure(1 if quick else 3, scenes)
    print("-- real data")
    missed += real.measure(4 if quick else 20)
    if not quick:
        print("-- real streets")
        missed += street.measure(options.workers)
    print("all bars are met" if not missed else f"{missed} lines miss a bar")
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
