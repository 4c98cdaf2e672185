"""Verdicts, intervals and named numbers of runs over simulated days with known truth.

Run ``python -m tests.benchmarks.accuracy.days [--days 1000]``. Each day two builds of a
cart are timed to one or more splits. The truth is drawn anew: the difference is nothing, below
the margin, the margin exactly, or above it; run-to-run scatter 0.03 to 0.15 s, not the same for
both builds; each run measured to 0.02 to 0.05 s; the lag is wrong by an amount common to the day
that enters each run's split with a share of its own. Nothing of the truth is given to the
judgement but the uncertainties of the readings.

A verdict is wrong when it says "real" and the truth is 0 or has the other sign, or "no
difference worth noticing" and the truth is the margin or more. On days that cannot tell, the
named number of further runs is driven for each build and everything is judged again.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from overlay.compare.verdict import (
    CANNOT_TELL,
    NO_DIFFERENCE,
    REAL,
    Comparison,
    Pairing,
    RunSplit,
    compare_all,
)

MARGIN_S = 0.1
KINDS = ("nothing", "below margin", "margin", "above margin")


@dataclass
class Split:
    """Truth of one split of a day."""

    apart_s: float
    scatter_s: tuple[float, float]
    sigma_s: float
    share: tuple[float, float]
    lag_sigma_s: float
    lag_error_s: float

    def run(self, build: int, name: str, rng: np.random.Generator) -> RunSplit:
        value = 6.0 + build * self.apart_s + self.share[build] * self.lag_error_s
        value += rng.normal(0, np.hypot(self.scatter_s[build], self.sigma_s))
        common = self.share[build] * self.lag_sigma_s
        return RunSplit(name, float(value), self.sigma_s, common)


def split_of(kind: str, lag: tuple[float, float], rng: np.random.Generator) -> Split:
    """Draw the truth of one split."""
    sign = rng.choice([-1.0, 1.0])
    size = {
        "nothing": 0.0,
        "below margin": rng.uniform(0, MARGIN_S),
        "margin": MARGIN_S,
        "above margin": rng.uniform(1, 4) * MARGIN_S,
    }[kind]
    scatter = np.exp(rng.uniform(np.log(0.03), np.log(0.15)))
    ratio = np.exp(rng.uniform(-0.4, 0.4))
    share = tuple(rng.uniform(0, 1, 2))
    return Split(
        sign * size, (scatter, scatter * ratio), rng.uniform(0.02, 0.05), share, lag[0], lag[1]
    )


def is_wrong(verdict: str, truth_s: float, difference_s: float) -> bool:
    if verdict == REAL:
        return truth_s == 0 or truth_s * difference_s < 0
    return verdict == NO_DIFFERENCE and abs(truth_s) >= MARGIN_S


@dataclass
class Tally:
    """Counts over days."""

    verdicts: int = 0
    wrong: int = 0
    real: int = 0
    alike: int = 0
    open: int = 0
    wrong_days: int = 0
    days: int = 0
    inside: int = 0
    inside_mean: int = 0
    means: int = 0
    named: int = 0
    decided: int = 0
    wrong_later: int = 0
    unnamed: int = 0
    runs_named: int = 0


def one_day(kinds: list[str], sizes: tuple[int, int], rng: np.random.Generator, t: Tally) -> None:
    lag_sigma = rng.uniform(0.01, 0.03)
    lag = (lag_sigma, rng.normal(0, lag_sigma))
    truths = [split_of(kind, lag, rng) for kind in kinds]
    runs = [
        [[s.run(b, f"{'ab'[b]}{i}", rng) for i in range(sizes[b])] for b in (0, 1)] for s in truths
    ]
    judged = compare_all([Pairing(str(i), r[0], r[1], MARGIN_S) for i, r in enumerate(runs)])
    t.days += 1
    wrong = 0
    for s, c, r in zip(truths, judged, runs, strict=True):
        wrong += count(s, c, t)
        if len(kinds) == 1 and c.verdict == CANNOT_TELL:
            follow_up(s, c, r, rng, t)
    t.wrong_days += wrong > 0


def count(s: Split, c: Comparison, t: Tally) -> bool:
    assert c.difference is not None
    assert c.low is not None
    assert c.high is not None
    t.verdicts += 1
    wrong = is_wrong(c.verdict, s.apart_s, c.difference)
    t.wrong += wrong
    t.real += c.verdict == REAL
    t.alike += c.verdict == NO_DIFFERENCE
    t.open += c.verdict == CANNOT_TELL
    t.inside += c.low <= s.apart_s <= c.high
    for build, summary in ((0, c.a), (1, c.b)):
        assert summary.low is not None
        assert summary.high is not None
        t.means += 1
        t.inside_mean += summary.low <= 6.0 + build * s.apart_s <= summary.high
    return wrong


def follow_up(
    s: Split, c: Comparison, runs: list[list[RunSplit]], rng: np.random.Generator, t: Tally
) -> None:
    if c.further_runs is None:
        t.unnamed += 1
        return
    more = [runs[b] + [s.run(b, f"more{i}", rng) for i in range(c.further_runs)] for b in (0, 1)]
    later = compare_all([Pairing("", more[0], more[1], MARGIN_S)])[0]
    t.named += 1
    t.runs_named += c.further_runs
    t.decided += later.verdict != CANNOT_TELL
    assert later.difference is not None
    t.wrong_later += is_wrong(later.verdict, s.apart_s, later.difference)


def show(name: str, t: Tally) -> None:
    text = (
        f"{name:34s} wrong {t.wrong / t.verdicts:6.2%}  days with a wrong one "
        f"{t.wrong_days / t.days:6.2%}  cover {t.inside / t.verdicts:6.2%} "
        f"(means {t.inside_mean / t.means:6.2%})  real {t.real / t.verdicts:4.0%} "
        f"alike {t.alike / t.verdicts:4.0%} open {t.open / t.verdicts:4.0%}"
    )
    if t.named:
        ever = (t.wrong + t.wrong_later) / t.verdicts
        text += (
            f"  | named on {t.named} (mean {t.runs_named / t.named:.1f}, none on {t.unnamed}): "
            f"decided {t.decided / t.named:.1%}, wrong by then {ever:.2%}"
        )
    print(text, flush=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=1000)
    parser.add_argument("--rng", type=int, default=1)
    given = parser.parse_args()
    rng = np.random.default_rng(given.rng)
    print(f"{given.days} days a line, margin {MARGIN_S} s, level 0.05")
    t = Tally()
    for i in range(given.days):
        sizes = (int(rng.integers(3, 8)), int(rng.integers(3, 8)))
        one_day([KINDS[i % 4]], sizes, rng, t)
    show("all truths, 3 to 7 runs", t)
    for kind in KINDS:
        t = Tally()
        for _ in range(given.days):
            one_day([kind], (5, 5), rng, t)
        show(f"{kind}, 5 runs each", t)
    for n in (2, 3, 4, 8):
        t = Tally()
        for i in range(given.days):
            one_day([KINDS[i % 4]], (n, n), rng, t)
        show(f"all truths, {n} runs each", t)
    t = Tally()
    for _ in range(given.days):
        one_day([str(k) for k in rng.choice(KINDS, 5)], (5, 5), rng, t)
    show("5 splits at once, 5 runs each", t)


if __name__ == "__main__":
    main()
