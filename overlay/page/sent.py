"""The page of a day that can be sent to a friend: one file, which asks no network for anything."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from overlay.compare.figures import REAL
from overlay.compare.standing import Standing
from overlay.compare.value import Gain, money
from overlay.files import written_whole
from overlay.page.chart import as_link, chart_csv
from overlay.page.day_charts import day_charts, hue_of
from overlay.page.evidence import RunEvidence, sync_chart, sync_notes, sync_sentence
from overlay.page.next_view import next_view
from overlay.page.scripts import PLAYER, PLOTTING, STYLES, joined, static_text
from overlay.plan.whole import Next
from overlay.report.numbers import figure_unit
from overlay.report.results import DayResults, money_lines, sections, tables

_MINUS = re.compile(r"(?<![\w.])-(?=\d)")
_UNIT = re.compile(r"(\d) (?=(?:m/s|mph|km/h|m|s|ft|kW|hp|kg|rpm|N|%)\b|%)")


@dataclass(frozen=True, eq=False)
class Films:
    """What plays in the page: files in a folder beside it."""

    # By run: what :func:`overlay.page.play.write_play` gave, and the URL in front of its files.
    runs: Mapping[str, tuple[dict[str, Any], str]] = field(default_factory=dict)
    # Runs to set beside each other, and how they are locked
    pairs: Sequence[tuple[str, str, dict[str, dict[str, str]]]] = ()


@dataclass(frozen=True, eq=False)
class Plans:
    """What to try next, of each build for which there are candidates, and what hinders it."""

    found: Sequence[Next] = ()
    problems: Sequence[str] = ()


def write_page(
    path: Path,
    results: DayResults,
    evidence: Mapping[str, RunEvidence],
    films: Films | None = None,
    files: Sequence[Path] = (),
    plans: Plans | None = None,
) -> None:
    """Write the page, whole or not at all.

    Parameters
    ----------
    path : Path
    results : DayResults
    evidence : mapping
        By run, where it is known.
    films : Films, optional
    files : sequence of Path
        Tables to be carried along in links, ``.csv`` and ``.json``.
    plans : Plans, optional

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    text = page_text(results, evidence, films or Films(), files, plans or Plans())
    with written_whole(path) as part:
        part.write_text(text, encoding="utf-8")


def page_text(
    results: DayResults,
    evidence: Mapping[str, RunEvidence],
    films: Films,
    files: Sequence[Path] = (),
    plans: Plans | None = None,
) -> str:
    """The page as HTML."""
    charts = day_charts(results)
    syncs = {
        run.name: sync_chart(run.name, evidence[run.name], results.unit, hue_of(results, run.build))
        for run in results.runs
        if run.name in evidence
    }
    plans = plans or Plans()
    planned = [next_view(one, hue_of(results, one.build), i) for i, one in enumerate(plans.found)]
    said = dict(sections(results))
    scripts = [static_text(PLOTTING), joined((*PLAYER, "sent.js"))]
    style = "".join(map(static_text, (*STYLES, "sent.css")))
    all_charts = [*charts, *syncs.values(), *(spec for _, spec in planned if spec is not None)]
    return (
        _environment()
        .get_template("day.html")
        .render(
            title=results.title,
            money=money_lines(results),
            **_head(results),
            steps=_steps(results),
            runs_table=tables(results)[0],
            runs=[_run(results, one, evidence, syncs, films) for one in results.day.standings],
            plans=[view for view, _ in planned],
            plan_problems=plans.problems,
            plan_cautions=list(dict.fromkeys(line for one in plans.found for line in one.cautions)),
            left_out=said.get("Runs", []),
            lists=[(head, said[head]) for head in said if head not in ("What it bought", "Runs")],
            charts=[spec | {"csv": as_link(chart_csv(spec))} for spec in charts],
            pairs=[{"first": a, "second": b} for a, b, _ in films.pairs],
            files=[(file.name, as_link(file.read_text("utf-8"), _kind(file))) for file in files],
            data={
                "charts": {spec["name"]: spec for spec in all_charts},
                "films": {
                    name: {"data": data, "base": base} for name, (data, base) in films.runs.items()
                },
                "locks": [locks for _, _, locks in films.pairs],
            },
            style=Markup(style),
            scripts=[Markup(script) for script in scripts],
            allowed=_allowed([style], scripts),
        )
    )


def _head(results: DayResults) -> dict[str, Any]:
    """The answers and the builds."""
    steps = [step for step in results.day.steps if step.value]
    hues = {build.name: hue_of(results, build.name) for build in results.sheet.builds}
    return {
        "answers": [
            {"text": sentence, "hue": hues[step.b]}
            for step, sentence in zip(steps, results.day.sentences, strict=True)
        ],
        "builds": [
            {
                "name": build.name,
                "hue": hues[build.name],
                "about": build.about or "",
                "price": money(build.total_price, build.currency),
                "parts": ", ".join(part.name for part in build.parts),
            }
            for build in results.sheet.builds
        ],
        "hues": hues,
    }


def _steps(results: DayResults) -> list[dict[str, Any]]:
    """The tables of builds against each other, with what one unit of money saved."""
    made = []
    for step, table in zip(results.day.steps, tables(results)[1:], strict=True):
        header, rows = [*table.header], [[*row] for row in table.rows]
        value = step.value
        bought = [] if value is None else [_per_unit(gain, results.unit) for gain in value.gains]
        if value is not None and value.cost > 0 and any(bought):
            header.append(f"for {money(1.0, value.currency)}")
            rows = [[*row, words] for row, words in zip(rows, bought, strict=True)]
        made.append({"heading": table.heading, "header": header, "rows": rows})
    return made


def _per_unit(gain: Gain, speed_unit: str) -> str:
    """What one unit of the currency bought, where the difference is real."""
    per = [v for v in (gain.per_unit, gain.per_unit_low, gain.per_unit_high) if v is not None]
    if gain.verdict != REAL or len(per) < 3:
        return ""
    factor, _, unit = figure_unit(gain.unit, speed_unit)
    factor, unit = (1000.0, "ms") if unit == "s" else (factor, unit)
    digits = 1 if unit == "ms" else 3
    middle, low, high = (f"{factor * value:.{digits}f}" for value in per)
    return f"{middle} {unit} ({low} to {high})".replace("-", "−")


def _run(
    results: DayResults,
    one: Standing,
    evidence: Mapping[str, RunEvidence],
    syncs: Mapping[str, dict[str, Any]],
    films: Films,
) -> dict[str, Any]:
    spec = syncs.get(one.run)
    return {
        "name": one.run,
        "build": one.build,
        "hue": hue_of(results, one.build),
        "place": one.place,
        "is_left_out": one.is_left_out,
        "notes": one.notes,
        "sync": sync_sentence(evidence[one.run].alignment) if spec else "",
        "sync_notes": sync_notes(evidence[one.run].alignment) if spec else (),
        "chart": spec["name"] if spec and spec["series"] else "",
        "csv": as_link(chart_csv(spec)) if spec and spec["series"] else "",
        "plays": one.run in films.runs,
    }


def together(text: str) -> str:
    """Text in which a number and its unit stay on one line, with a true minus."""
    return _UNIT.sub("\\1\u00a0", _MINUS.sub("\u2212", text))


def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("overlay.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["together"] = together
    return made


def _kind(file: Path) -> str:
    return "application/json" if file.suffix == ".json" else "text/csv"


def _allowed(styles: Sequence[str], scripts: Sequence[str]) -> str:
    """A content security policy under which nothing but the page's own parts is used (CSP 3)."""

    def marks(texts: Sequence[str]) -> str:
        digests = (hashlib.sha256(text.encode()).digest() for text in texts)
        return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)

    return (
        f"default-src 'none'; script-src {marks(scripts)}; style-src {marks(styles)}; "
        "img-src 'self' file:; media-src 'self' file:; base-uri 'none'; "
        "form-action 'none'"
    )
