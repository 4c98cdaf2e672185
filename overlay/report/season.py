"""A season's results: for the terminal and for programs."""

from __future__ import annotations

from collections import Counter
from typing import Any

from overlay.compare.figures import LEVEL
from overlay.compare.season import DAYS, Season, SeasonStep
from overlay.report.results import figure_rows, named_builds
from overlay.report.results_data import comparison_json
from overlay.report.table import columns
from overlay.units import mps_to_speed


def season_text(season: Season) -> str:
    """All tables and sentences for a terminal."""
    driven = []
    for day in season.days:
        counts = Counter(one.build for one in day.day.standings)
        builds = ", ".join(f"{name} ({count})" for name, count in counts.items())
        driven.append((day.name, builds, day.day.order_from))
    known = {build.name: build for day in reversed(season.days) for build in day.sheet.builds}
    named = named_builds([known[name] for name in sorted(known)])
    heading = "Builds driven on each day (runs)" + (f"; {named}" if named else "")
    lines = [heading, columns(("day", "builds", "order from"), driven), ""]
    unit = season.days[0].sheet.report.speed_unit
    for step in season.steps:
        header = ("figure", f"{step.a} runs", f"{step.b} runs", "difference", "verdict")
        rows = figure_rows(step.comparisons, unit, lambda side, *_: str(side.n))
        lines += [_heading(season, step), columns(header, rows), ""]
    judged = max((c.judged_with for step in season.steps for c in step.comparisons), default=0)
    lines.append(
        f"Verdicts hold at {100 * (1 - LEVEL):.0f} % for {judged} figures judged together. "
        "Each day has a level of its own, and so has a part of a day in which builds did not take "
        "turns; where builds never meet, the scatter from day to day counts."
    )
    return "\n".join(lines)


def season_json(season: Season) -> dict[str, Any]:
    """The same as a plain dictionary."""
    return {
        "level": LEVEL,
        "days": [
            {"name": day.name, "sheet": str(day.sheet.path), "runs": len(day.day.standings)}
            for day in season.days
        ],
        "steps": [
            {
                "from": step.a,
                "to": step.b,
                "compared": step.how,
                "figures": [comparison_json(c) for c in step.comparisons],
            }
            for step in season.steps
        ],
    }


def _heading(season: Season, step: SeasonStep) -> str:
    report = season.days[0].sheet.report
    about = {b.name: b.about for day in reversed(season.days) for b in day.sheet.builds}
    first, second = (f"{n} ({about[n]})" if about.get(n) else n for n in (step.a, step.b))
    margins = [c.margin for c in step.comparisons if c.unit == "s"]
    seconds = f"{max(margins):g} s, " if margins else ""
    speed = mps_to_speed(report.worth_noticing_mps, report.speed_unit)
    how = f"; {step.how}" if step.how == DAYS else f", compared {step.how}"
    return (
        f"{second} against {first}{how}: difference = {step.b} less {step.a} ± 95 %; smallest "
        f"difference you care about: {seconds}{speed:.2g} {report.speed_unit}"
    )
