"""A season's results: for the terminal and for programs."""

from __future__ import annotations

from typing import Any

from overlay.compare.season import DAYS, Season, SeasonStep
from overlay.report.numbers import difference_text, figure_unit
from overlay.report.results import named_builds, verdict_text
from overlay.report.results_data import comparison_json
from overlay.report.table import columns
from overlay.units import mps_to_speed


def season_text(season: Season) -> str:
    """All tables and sentences for a terminal."""
    rows = [
        (day.name, ", ".join(_driven(day.day.standings)), day.day.order_from) for day in season.days
    ]
    known = {build.name: build for day in reversed(season.days) for build in day.sheet.builds}
    named = named_builds([known[name] for name in sorted(known)])
    heading = "Builds driven on each day (runs)" + (f"; {named}" if named else "")
    lines = [heading, columns(("day", "builds", "order from"), rows), ""]
    for step in season.steps:
        lines += [_heading(season, step), _table(season, step), ""]
    judged = max((c.judged_with for step in season.steps for c in step.comparisons), default=0)
    lines.append(
        f"Verdicts hold at {100 * (1 - season.level):.0f} % for {judged} figures judged together. "
        "Each day has a level of its own, and so has a part of a day in which builds did not take "
        "turns; where builds never meet, the scatter from day to day counts."
    )
    return "\n".join(lines)


def season_json(season: Season) -> dict[str, Any]:
    """The same as a plain dictionary."""
    return {
        "level": season.level,
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


def _driven(standings: Any) -> list[str]:
    names = [one.build for one in standings]
    return [f"{name} ({names.count(name)})" for name in dict.fromkeys(names)]


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


def _table(season: Season, step: SeasonStep) -> str:
    rows = []
    for c in step.comparisons:
        factor, digits, shown = figure_unit(c.unit, season.days[0].sheet.report.speed_unit)
        label = c.label if c.unit == "s" else f"{c.label} ({shown})"
        rows.append(
            (
                f"{label} — main" if c.is_main else label,
                str(c.a.n),
                str(c.b.n),
                difference_text(c, factor, digits),
                verdict_text(c),
            )
        )
    header = ("figure", f"{step.a} runs", f"{step.b} runs", "difference", "verdict")
    return columns(header, rows)
