"""A day's results as one HTML file that needs nothing else: tables, plots, sentences."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from html import escape
from pathlib import Path

from overlay.compare.figures import VERDICTS
from overlay.files import written_whole
from overlay.gauges.palette import build_hue, hex_of
from overlay.report.results import DayResults, Table, money_lines, sections, tables

STYLE = """
:root { color-scheme: light dark; --ink: #15181d; --quiet: #565d68; --ground: #fdfdfc;
  --line: #d9dce1; --plate: #f3f4f5; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #eef0f2; --quiet: #a9b0ba; --ground: #14171b; --line: #343a43;
    --plate: #1d2127; } }
body { margin: 0 auto; max-width: 62rem; padding: 2rem 1.25rem 4rem; color: var(--ink);
  background: var(--ground); font: 16px/1.5 system-ui, sans-serif; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 1.5rem; }
h2 { font-size: 1.1rem; margin: 2.2rem 0 .6rem; }
p.answer { font-size: 1.15rem; margin: 0 0 .5rem; padding: .8rem 1rem; background: var(--plate);
  border-left: .35rem solid var(--hue, var(--quiet)); border-radius: .2rem; }
div.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
p.caption { color: var(--quiet); margin: 1.4rem 0 .3rem; }
th, td { text-align: right; padding: .35rem .7rem; border-bottom: 1px solid var(--line);
  white-space: nowrap; }
th:first-child, td:first-child { text-align: left; padding-left: 0; }
th { font-weight: 600; }
td.real { font-weight: 700; }
td.out { color: var(--quiet); }
b.hue { display: inline-block; width: .7em; height: .7em; border-radius: .15em;
  margin-right: .4em; }
figure { margin: 1.2rem 0; }
img { width: 100%; height: auto; border-radius: .3rem; background: #fff; }
li { margin: .25rem 0; }
section.cautions { border: 1px solid #d55e00; border-radius: .3rem; padding: 0 1rem .4rem;
  margin-top: 1.6rem; }
section.cautions h2 { margin-top: .7rem; }
"""


_UNIT = re.compile(r"(\d) (?=(?:m/s|mph|km/h|m|s|ft|kW|hp|kg|rpm|N|%)\b|%)")


def write_page(path: Path, results: DayResults, plots: Sequence[Path]) -> None:
    """Write ``results.html``, whole or not at all.

    Parameters
    ----------
    path : Path
    results : DayResults
    plots : sequence of Path
        PNG files to put in.
    """
    text = page_text(results, [(plot.stem, plot.read_bytes()) for plot in plots])
    with written_whole(path) as part:
        part.write_text(text, encoding="utf-8")


def page_text(results: DayResults, plots: Sequence[tuple[str, bytes]]) -> str:
    """The page; each plot is a name such as ``speed-by-distance`` and a PNG."""
    hues = {build.name: hex_of(build_hue(i % 4)) for i, build in enumerate(results.sheet.builds)}
    said = dict(sections(results))
    body = [f"<h1>{escape(results.title)}</h1>"]
    for step, sentence in zip(
        [step for step in results.day.steps if step.value], results.day.sentences, strict=True
    ):
        hue = hues.get(step.b, "#888")
        body.append(f'<p class="answer" style="--hue:{hue}">{_together(sentence)}</p>')
    body += [f"<p>{_together(line)}</p>" for line in money_lines(results)]
    runs, *steps = tables(results)
    figures = [_figure(name, png) for name, png in plots]
    body += [_builds(results, hues), *figures[:1]]
    body += [*(_table(table, hues) for table in steps), *figures[1:]]
    body.append(_table(runs, hues))
    for heading in ("Runs", "Weather and weight", "Power and gearing", "Cautions", "How measured"):
        if heading in said:
            shape = ' class="cautions"' if heading == "Cautions" else ""
            items = "".join(f"<li>{_together(line)}</li>" for line in said[heading])
            body.append(f"<section{shape}><h2>{heading}</h2><ul>{items}</ul></section>")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(results.title)}</title><style>{STYLE}</style></head>\n"
        f"<body>{chr(10).join(body)}</body></html>\n"
    )


def _together(text: str) -> str:
    """Escaped, with numbers kept on one line with their units and uncertainties.

    Examples
    --------
    >>> _together("0.31 s ± 0.12 to 60 m").replace(chr(160), "_")
    '0.31_s_±_0.12 to 60_m'
    """
    text = _UNIT.sub("\\1\u00a0", escape(text, quote=False))
    return text.replace(" ± ", "\u00a0± ").replace("± ", "±\u00a0")


def _builds(results: DayResults, hues: dict[str, str]) -> str:
    """What each build is, with its hue and price."""
    from overlay.compare.value import money

    items = []
    for build in results.sheet.builds:
        price = f", {money(build.total_price, build.currency)}" if build.total_price else ""
        parts = "; ".join(part.name for part in build.parts)
        about = ": ".join(text for text in (build.about, parts) if text)
        mark = f'<b class="hue" style="background:{hues[build.name]}"></b>'
        items.append(f"<li>{mark}{escape(build.name)} — {escape(about)}{escape(price)}</li>")
    return f'<ul style="list-style:none;padding:0">{"".join(items)}</ul>'


def _table(table: Table, hues: dict[str, str]) -> str:
    head = "".join(f"<th>{_with_hue(cell, hues)}</th>" for cell in table.header)
    rows = []
    for row in table.rows:
        cells = "".join(f"<td{_class(cell)}>{_with_hue(cell, hues)}</td>" for cell in row)
        rows.append(f"<tr>{cells}</tr>")
    return (
        f'<p class="caption">{_together(table.heading)}</p><div class="wide"><table>'
        f"<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table></div>"
    )


def _with_hue(cell: str, hues: dict[str, str]) -> str:
    """A build's name carries its hue; colour alone never tells anything."""
    if cell not in hues:
        return escape(cell)
    return f'<b class="hue" style="background:{hues[cell]}"></b>{escape(cell)}'


def _class(cell: str) -> str:
    if cell.startswith(VERDICTS[0]):
        return ' class="real"'
    return ' class="out"' if cell.startswith("(") else ""


def _figure(name: str, png: bytes) -> str:
    data = base64.b64encode(png).decode()
    words = name.replace("-", " ").capitalize()
    return f'<figure><img alt="{escape(words)}" src="data:image/png;base64,{data}"></figure>'
