"""Compression from dimensions and clearances: ratio, the ideal cycle's gain, what room is left."""

from __future__ import annotations

import math

from overlay.plan.figure import Figure
from overlay.sheet import Engine

HEAT_RATIO = 1.4  # of cold air; hot gas has less, so the ideal gain is an upper bound
# Piston to head and valve to piston, common practice, no source.
LEAST_SQUISH_MM, LEAST_VALVE_MM = 1.0, 2.0
PRACTICE = "common practice, no source"
FUEL_CAUTION = (
    "More compression asks for fuel that does not knock and for less spark advance; knock breaks "
    "pistons. Keep to the ratio that maker or a qualified builder allows for your fuel."
)


def ratio_of(swept_cc: float, chamber_cc: float) -> float:
    """Geometric compression ratio, ``(Vs + Vc) / Vc``."""
    return (swept_cc + chamber_cc) / chamber_cc


def swept_cc(bore_mm: float, stroke_mm: float) -> float:
    """Swept volume.

    Examples
    --------
    >>> round(swept_cc(68.0, 54.0), 1)
    196.1
    """
    return math.pi / 4 * bore_mm**2 * stroke_mm / 1000


def with_gasket(ratio: float, *, bore_mm: float, stroke_mm: float, thinner_mm: float) -> float:
    """Ratio with a gasket thinner by so much, over the bore's area.

    Examples
    --------
    >>> round(with_gasket(8.5, bore_mm=68.0, stroke_mm=54.0, thinner_mm=0.5), 2)
    9.06
    """
    swept = swept_cc(bore_mm, stroke_mm)
    return ratio_of(swept, swept / (ratio - 1) - math.pi / 4 * bore_mm**2 * thinner_mm / 1000)


def ideal_gain(before: float, after: float) -> float:
    """Relative gain of the ideal Otto cycle's efficiency ``1 - r^(1 - gamma)``.

    Examples
    --------
    >>> round(ideal_gain(8.5, 9.06), 4)
    0.0186
    """

    def efficiency(ratio: float) -> float:
        return float(1 - ratio ** (1 - HEAT_RATIO))

    return efficiency(after) / efficiency(before) - 1


def ratio_now(engine: Engine) -> float | None:
    """As stated, else from the chamber; None where neither is known."""
    if engine.compression_ratio is not None:
        return engine.compression_ratio
    if engine.chamber_cc and engine.bore_mm and engine.stroke_mm:
        return ratio_of(swept_cc(engine.bore_mm, engine.stroke_mm), engine.chamber_cc)
    return None


def compression_figures(
    engine: Engine, *, gasket_mm: float | None = None, compression_ratio: float | None = None
) -> tuple[tuple[Figure, ...], tuple[str, ...]]:
    """Ratio before and after, the bound on the gain, the clearances; and the keys missing.

    A clearance or a ratio beyond its limit stands in the figure's own `limit`.
    """
    keys = ["bore_mm", "stroke_mm", "gasket_mm"] if gasket_mm is not None else []
    missing = [key for key in keys if getattr(engine, key) is None]
    now = ratio_now(engine)
    if now is None:
        missing.append("compression_ratio")
    if engine.compression_limit is None:
        missing.append("compression_limit")
    thinner = (engine.gasket_mm or 0.0) - (gasket_mm or 0.0) if gasket_mm is not None else 0.0
    after = compression_ratio
    if gasket_mm is not None and now and engine.bore_mm and engine.stroke_mm and engine.gasket_mm:
        after = with_gasket(
            now, bore_mm=engine.bore_mm, stroke_mm=engine.stroke_mm, thinner_mm=thinner
        )
    found: list[Figure] = []
    dims = "bore, stroke, ratio and gasket" if gasket_mm is not None else "the sheet"
    exact = "as good as the dimensions that go in"
    if now:
        found.append(Figure("compression ratio now", now, "", "the sheet", why=exact))
    if now and after:
        limit, whose = engine.compression_limit, "stated for your fuel"
        found += [
            Figure("compression ratio after", after, "", dims, None, None, exact, limit, whose),
            Figure(
                "gain of the ideal cycle, an upper bound",
                100 * ideal_gain(now, after),
                "%",
                f"Otto cycle, gamma {HEAT_RATIO:g}",
                why="a bound: from nothing to this",
            ),
        ]
    for key, name, least in (
        ("squish_mm", "piston to head", LEAST_SQUISH_MM),
        ("valve_clearance_mm", "valve to piston", LEAST_VALVE_MM),
    ):
        room = getattr(engine, key)
        if room is None:
            missing.append(key)
        elif engine.gasket_mm or gasket_mm is None:
            left = room - thinner
            why = "clay tells about 0.1 mm"
            found.append(Figure(name, left, "mm", "clay", None, None, why, least, PRACTICE))
    return tuple(found), tuple(f"engine.{key}" for key in missing)
