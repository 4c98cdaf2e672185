"""What to try next as the page shows it: words, tables, and gearing as a chart."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from overlay.gauges.palette import CUT, hex_of
from overlay.page.chart import Axis, ChartLine, as_link, chart, chart_csv
from overlay.plan.gearing import Sweep
from overlay.plan.whole import Next
from overlay.report.next_text import next_parts

QUIET = "#808894"


def next_view(found: Next, hue: str, number: int) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """One build's section as the template takes it, and its chart."""
    spec = None if found.sweep is None else gearing_chart(found.sweep, hue, f"gearing-{number}")
    view = {
        "build": found.build,
        "hue": hue,
        "parts": next_parts(found),
        "chart": "" if spec is None else spec["name"],
        "csv": "" if spec is None else as_link(chart_csv(spec)),
    }
    return view, spec


def gearing_chart(sweep: Sweep, hue: str, name: str = "gearing") -> dict[str, Any]:
    """A goal over the whole ratio with its band, what may pass the limit, and the sizes."""
    sizes = [size for size in sweep.sizes if np.isfinite(size.value.value)]
    at = np.array([size.ratio for size in sizes])
    x = np.unique(np.r_[sweep.ratio, at])
    curve, own = np.searchsorted(x, sweep.ratio), np.searchsorted(x, at)

    def placed(of_curve: Any, of_sizes: Sequence[float | None]) -> Any:
        row = np.full(len(x), np.nan)
        row[curve] = of_curve
        row[own] = np.array(of_sizes, dtype=np.float64)
        return row

    nothing = np.full(len(sweep.ratio), np.nan)
    value = placed(sweep.value, [size.value.value for size in sizes])
    low = placed(sweep.low, [size.value.low for size in sizes])
    high = placed(sweep.high, [size.value.high for size in sizes])
    revs = placed(sweep.line_rpm, [size.line.value for size in sizes])
    most = placed(sweep.line_high_rpm, [size.line.high for size in sizes])
    lines = [ChartLine(sweep.goal, hue, value, low, high)]
    for words, is_beyond, kind in (
        ("sprockets and tyres", False, "dots"),
        ("beyond the limit", True, "rings"),
    ):
        dots = [size.value.value if size.is_beyond == is_beyond else np.nan for size in sizes]
        if np.any(np.isfinite(dots)):
            lines.append(ChartLine(words, hue, placed(nothing, dots), kind=kind, size_px=8))
    for words, row in (("highest revs", revs), ("at most, by 95 %", most)):
        lines.append(ChartLine(words, QUIET, row, kind="told", unit="rpm", digits=0))
    up = Axis("time" if sweep.unit == "s" else "speed", sweep.unit, 2)
    along = Axis("whole ratio, on the tyre of now", "", 3)
    spec = chart(name, f"{sweep.goal} against gearing", along, x, up, lines)
    if sizes:
        names = dict(zip(own.tolist(), (size.name for size in sizes), strict=True))
        spec["shown_x"] = [
            " · ".join(filter(None, (f"{ratio:.2f}", names.get(i, ""))))
            for i, ratio in enumerate(x)
        ]
    marks = [(sweep.now, "now"), (sweep.best, "best within the limit")]
    spec["lines"] = [{"x": round(at, 4), "label": words} for at, words in marks if at is not None]
    spec["spans"] = _spans(sweep)
    return spec


def _spans(sweep: Sweep) -> list[dict[str, Any]]:
    """Where it makes no difference, and where the revs may pass the limit."""
    spans = []
    if sweep.alike is not None and sweep.alike[0] < sweep.alike[1]:
        spans.append((*sweep.alike, "as good as the best", QUIET))
    too_fast = np.flatnonzero(sweep.line_high_rpm > sweep.limit_rpm)
    if len(too_fast):
        words = f"may pass {sweep.limit_rpm:.0f} rpm"
        spans.append((sweep.ratio[too_fast[0]], sweep.ratio[-1], words, hex_of(CUT)))
    return [
        {"from": round(float(a), 4), "to": round(float(b), 4), "label": words, "hue": hue}
        for a, b, words, hue in spans
    ]
