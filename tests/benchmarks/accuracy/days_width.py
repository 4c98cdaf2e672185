"""Why the intervals of a day's verdict hold the truth on more than 98 % of days in some cells.

Run ``python -m tests.benchmarks.accuracy.days_width [--days 400]``. The cells are those of
:mod:`tests.benchmarks.accuracy.days` without a true difference. Each day is judged as the program
does, and without the measurement's floor under the scatter. For each: how many cells hold the truth
on more than 98 % of days or on fewer than 95 %, how often 0.15 s is found, and the width beside the
program's own. Then the level is moved, for each order and number of runs, until its worst cell
holds the truth on 95 %: the narrowest intervals of this shape for who knows neither scatter nor
drift.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass

import numpy as np

from overlay.compare.mixed import difference_of, laid_out
from tests.benchmarks.accuracy.days import (
    BAR,
    DRIFTS,
    MOST_COVER,
    ORDERS,
    POWER_S,
    SIGMA_S,
    SIZES,
    SPREADS_S,
    day_values,
    order_of,
)

ORDERS_DRAWN = 8  # of the random one
DAYS_OF_WIDTH = 32  # in a cell; an interval costs more than a p-value
WAYS = {"as the program does": SIGMA_S, "without the floor": 0.0}


@dataclass(frozen=True, eq=False)
class Cell:
    """One cell: p-values without a difference and with 0.15 s, (ways, days); mean half widths."""

    order: str
    runs: int
    drift: str
    spread: str
    p: np.ndarray
    p_found: np.ndarray
    half_s: np.ndarray


def cell_of(
    order: str, n: int, drift: str, spread: str, days: int, rng: np.random.Generator
) -> Cell:
    parts = ORDERS_DRAWN if order == "random" else 1
    p, p_found, half_s = [], [], []
    for _ in range(parts):
        of_b = order_of(order, n, rng)
        values = day_values(of_b, SPREADS_S[spread], drift, days // parts, rng)
        layout = laid_out(of_b, range(len(of_b)))
        few = values[: DAYS_OF_WIDTH // parts]
        p.append([difference_of(values, layout, floor=f).p_differ() for f in WAYS.values()])
        found = [difference_of(few, layout, floor=f) for f in WAYS.values()]
        p_found.append([one.p_differ(-POWER_S) for one in found])
        half_s.append([np.mean(one.centred()[1]) for one in found])
    return Cell(
        order,
        n,
        drift,
        spread,
        np.concatenate(p, axis=1),
        np.concatenate(p_found, axis=1),
        np.mean(half_s, axis=0),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=400)
    parser.add_argument("--rng", type=int, default=11)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.rng)
    cells = [
        cell_of(order, n, drift, spread, asked.days, rng)
        for order in ORDERS
        for n in SIZES
        for drift in DRIFTS
        for spread in SPREADS_S
    ]
    print(f"{len(cells)} cells of {asked.days} days")
    for i, way in enumerate(WAYS):
        out = np.array([np.mean(cell.p[i] <= BAR) for cell in cells])
        wide = [cell for cell, one in zip(cells, out, strict=True) if 1 - one > MOST_COVER]
        print(
            f"{way}: {len(wide)} of {len(cells)} cells above 98 %, {np.sum(out > BAR)} below 95 %, "
            f"the lowest {1 - out.max():.1%}, mean {1 - out.mean():.1%}; 0.15 s found on "
            f"{np.mean([np.mean(cell.p_found[i] <= BAR) for cell in cells]):.1%}"
        )
        for name in ("runs", "spread", "drift", "order"):
            print(f"    by {name}: {dict(Counter(getattr(cell, name) for cell in wide))}")
        for spread in SPREADS_S:
            of = [cell for cell in cells if cell.spread == spread]
            ratios = [
                f"{n} runs {np.mean([c.half_s[i] / c.half_s[0] for c in of if c.runs == n]):.2f}"
                for n in SIZES
            ]
            print(f"    width beside the program's, {spread}: {', '.join(ratios)}")
    count = 0
    for order in ORDERS:
        for n in SIZES:
            of = [cell.p[0] for cell in cells if (cell.order, cell.runs) == (order, n)]
            level = min(np.quantile(p, BAR) for p in of)
            count += sum(1 - np.mean(p <= level) > MOST_COVER for p in of)
    print(f"the worst cell of each order and number of runs at 95 %: {count} cells above 98 %")


if __name__ == "__main__":
    main()
