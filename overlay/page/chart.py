"""A chart as data: what script plots, and the same figures as CSV."""

from __future__ import annotations

import base64
import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy.typing as npt

from overlay.page.figures import UNKNOWN, spaced
from overlay.report.results_data import no_formula


@dataclass(frozen=True)
class Axis:
    """What stands along a side of a chart: label, unit and decimals.

    `follows` names what of a clip's frame marks a place along x: ``distance``, ``speed``,
    ``footage`` (its time) or ``run``; empty where no frame belongs to a place.
    """

    label: str
    unit: str
    digits: int
    from_zero: bool = False
    follows: str = ""


@dataclass(frozen=True)
class ChartLine:
    """One curve or set of dots of a chart."""

    # The hue as ``#rrggbb``
    label: str
    hue: str
    values: npt.ArrayLike  # shape (n,); NaN where there is none
    # Of its band.
    low: npt.ArrayLike | None = None
    high: npt.ArrayLike | None = None
    # ``line``, ``dots``, ``rings``, or ``told``: read out and in the CSV, not drawn
    kind: str = "line"
    is_dashed: bool = False
    size_px: int = 10  # Of dots
    unit: str | None = None  # Where it is not that of the chart; its `digits` are then its own too
    digits: int | None = None


def chart(
    name: str, title: str, along: Axis, x: npt.ArrayLike, up: Axis, lines: Sequence[ChartLine]
) -> dict[str, Any]:
    """The chart as script takes it, with `name` for its files; see ``static/charts.js``."""
    series = []
    for line in lines:
        digits = up.digits if line.digits is None else line.digits
        one: dict[str, Any] = {
            "label": line.label,
            "hue": line.hue,
            "values": spaced(line.values, digits),
            "kind": line.kind,
            "dash": line.is_dashed,
            "size": line.size_px,
        }
        if line.low is not None and line.high is not None:
            one |= {"low": spaced(line.low, digits), "high": spaced(line.high, digits)}
        if line.unit is not None:
            one["unit"] = line.unit
        series.append(one)
    return {
        "name": name,
        "title": title,
        "x": {
            "label": along.label,
            "unit": along.unit,
            "values": spaced(x, along.digits),
            "follows": along.follows,
        },
        "y": {"label": up.label, "unit": up.unit, "from_zero": up.from_zero},
        "series": series,
    }


def chart_csv(spec: dict[str, Any]) -> str:
    """All figures of a chart as CSV, with the digits that it shows and units in the header."""
    x, y = spec["x"], spec["y"]
    columns = [(_named(x["label"], x["unit"]), spec.get("shown_x", x["values"]))]
    for one in spec["series"]:
        label = _named(one["label"], one.get("unit", y["unit"]))
        columns.append((label, one["values"]))
        if "low" in one:
            columns += [(f"{label} low", one["low"]), (f"{label} high", one["high"])]
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow([no_formula(label) for label, _ in columns])
    words = [_words(values) for _, values in columns]
    writer.writerows(zip(*words, strict=True))
    return file.getvalue()


def as_link(text: str, kind: str = "text/csv") -> str:
    """A file in a link."""
    return f"data:{kind};charset=utf-8;base64,{base64.b64encode(text.encode()).decode()}"


def _named(label: str, unit: str) -> str:
    return f"{label} ({unit})" if unit else label


def _words(values: str | Iterable[str]) -> list[str]:
    """Figures as cells; names, which may hold spaces, come as a list."""
    if not isinstance(values, str):
        return [no_formula(value) for value in values]
    return ["" if word == UNKNOWN else word for word in values.split(" ")]
