"""The picture people want first: a dot a run, in the order driven, means with bars."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from overlay.compare.day import Step
from overlay.compare.figures import NOT_JUDGED, Comparison
from overlay.compare.standing import TOP
from overlay.gauges.palette import build_hue, hex_of
from overlay.report.axes import dress, new_figure, saved
from overlay.report.numbers import difference_text, figure_unit
from overlay.report.results import DayResults, named_builds

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NAME = "runs-by-order.png"
MOST_FIGURES = 4  # judged figures drawn, the main one first
_CHARACTERS = 120  # of names along the picture; of more, every second, third, ... run is named
_PANEL_IN = 2.5
_WIDE_IN = 8.0
_TITLE_CHARACTERS = 90  # of its size across the picture


def write_dots(folder: Path, results: DayResults) -> tuple[Path, ...]:
    """Write ``runs-by-order.png``; returns its path, or nothing where no figure is judged.

    A row a judged figure. The band about the earlier build's mean holds the differences that do
    not matter; a hollow dot is a run left out of the statistics.
    """
    labels = shown_figures(results)
    if not labels:
        return ()
    figure = new_figure((_WIDE_IN, _PANEL_IN * len(labels) + 0.5))
    rows = figure.subplots(len(labels), 1, sharex=True, squeeze=False)[:, 0]
    for axes, label in zip(rows, labels, strict=True):
        _panel(axes, results, label)
    run_at = {one.place: one.run for one in results.day.standings}
    last = max(run_at)
    rows[-1].set_xlabel("run, in the order driven")
    longest = 2 + max(map(len, run_at.values()))
    named = range(1, last + 1, math.ceil(last * longest / _CHARACTERS))
    rows[-1].set_xticks(named, [run_at.get(i, "") for i in named])
    builds = textwrap.fill(named_builds(results.sheet.builds), _TITLE_CHARACTERS)
    figure.suptitle(
        "Each run (dot; hollow: left out), each build's mean with its 95 % bar as runs scatter;\n"
        f"the difference with the day's drift allowed for\n{builds}".rstrip(),
        fontsize=12,
        x=0.01,
        ha="left",
    )
    return (saved(figure, folder / NAME),)


def shown_figures(results: DayResults) -> list[str]:
    """Labels of the judged figures that have runs, the main one first."""
    judged: list[Comparison] = [
        c
        for step in results.day.steps
        for c in step.comparisons
        if c.verdict != NOT_JUDGED and c.a.n + c.b.n > 0
    ]
    judged.sort(key=lambda c: not c.is_main)
    return list(dict.fromkeys(c.label for c in judged))[:MOST_FIGURES]


def _panel(axes: Axes, results: DayResults, label: str) -> None:
    day = results.day
    column = [*(goal.label for goal in day.goals), TOP].index(label)
    pairs = [(s, c) for s in day.steps for c in s.comparisons if c.label == label]
    factor, digits, unit = figure_unit(pairs[0][1].unit, results.unit)
    last = max(one.place for one in day.standings)
    for place, build in enumerate(results.sheet.builds):
        hue = hex_of(build_hue(place % 4))
        for one in day.of_build(build.name):
            split = one.splits[column]
            if split.value is not None:
                face = hue if split.counted else "none"
                y = split.value * factor
                axes.plot(one.place, y, "o", ms=8, mec=hue, mfc=face, mew=1.6)
    for step, c in pairs:
        _means(axes, results, (step, c), factor, last)
    axes.set_xlim(0.4, last + 1.3 + 0.55 * (len(results.sheet.builds) - 1))
    up = "time (s)" if unit == "s" else f"speed ({unit})"
    dress(axes, label, up, lines="y")
    said = [
        f"{s.b} less {s.a} {difference_text(c, factor, digits)} {unit}: {c.verdict}"
        for s, c in pairs
    ]
    axes.set_title("; ".join(said), loc="right", fontsize=8.5)
    axes.margins(y=0.15)


def _means(
    axes: Axes, results: DayResults, judged: tuple[Step, Comparison], factor: float, last: int
) -> None:
    """Both builds' means with bars to the right of the dots, and the band that does not matter."""
    step, c = judged
    if c.a.mean is not None:
        low, high = (factor * (c.a.mean + sign * c.margin) for sign in (-1, 1))
        axes.axhspan(low, high, color="0.5", alpha=0.13, lw=0)
        axes.text(0.45, high, f"too little to matter beside {step.a}", va="bottom", fontsize=7.5)
    names = [build.name for build in results.sheet.builds]
    for name, summary in ((step.a, c.a), (step.b, c.b)):
        if summary.mean is None:
            continue
        place = names.index(name)
        hue = hex_of(build_hue(place % 4))
        x, y = last + 0.8 + 0.55 * place, factor * summary.mean
        axes.errorbar(x, y, yerr=factor * (summary.half or 0.0), color=hue, capsize=4, lw=1.8)
        axes.plot(x, y, "_", ms=16, mew=2.4, color=hue)
        axes.text(x + 0.14, y, name, color=hue, va="bottom", fontweight="bold")
