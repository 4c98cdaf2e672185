"""Compression from dimensions and clearances: ratio, the ideal cycle's gain, what room is left."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from overlay.plan.figure import Figure, Known, reckoned
from overlay.sheet import Engine

HEAT_RATIO = 1.4  # of cold air; hot gas has less, so the ideal gain is an upper bound
# Piston to head and valve to piston, common practice, no source.
LEAST_SQUISH_MM, LEAST_VALVE_MM = 1.0, 2.0
PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class CompressionTolerance:
    """Standard uncertainties of what a sheet states; common practice, no source."""

    ratio: float = 0.1  # a maker's ratio, or one from a chamber filled from a burette
    length_mm: float = 0.1  # bore and stroke
    gasket_mm: float = 0.05  # squeezed, each
    clay_mm: float = 0.05


TOLERANCE = CompressionTolerance()
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
    if ratio_now(engine) is None:
        missing.append("compression_ratio")
    rooms = ("squish_mm", "valve_clearance_mm")
    missing += [key for key in ("compression_limit", *rooms) if getattr(engine, key) is None]
    found = [*_ratios(engine, gasket_mm, compression_ratio), *_clearances(engine, gasket_mm)]
    return tuple(found), tuple(f"engine.{key}" for key in missing)


def _ratios(
    engine: Engine, gasket_mm: float | None, compression_ratio: float | None
) -> Iterator[Figure]:
    """The ratio now, with the change, and the most that the ideal cycle gains by it."""
    now = ratio_now(engine)
    if not now:
        return
    stated = Known(now, TOLERANCE.ratio)
    yield reckoned("compression ratio now", "", "the sheet", float, [stated])
    name, limit = "compression ratio after", (engine.compression_limit, "stated for your fuel")
    bore, stroke = engine.bore_mm, engine.stroke_mm
    if gasket_mm is not None and bore and stroke and engine.gasket_mm:

        def of(ratio: float, bore_mm: float, stroke_mm: float, thinner_mm: float) -> float:
            return with_gasket(ratio, bore_mm=bore_mm, stroke_mm=stroke_mm, thinner_mm=thinner_mm)

        dims = [Known(bore, TOLERANCE.length_mm), Known(stroke, TOLERANCE.length_mm)]
        source = "bore, stroke, ratio and gasket"
        after = reckoned(name, "", source, of, [stated, *dims, _thinner(engine, gasket_mm)], limit)
    elif compression_ratio is not None:
        wanted = Known(compression_ratio, TOLERANCE.ratio)
        after = reckoned(name, "", "the sheet", float, [wanted], limit)
    else:
        return
    yield after
    most = 100 * ideal_gain(now, after.value)
    source = f"Otto cycle, gamma {HEAT_RATIO:g}: from nothing to this"
    name = "gain of the ideal cycle, an upper bound"
    yield Figure(name, most, "%", source, min(most, 0.0), max(most, 0.0))


def _clearances(engine: Engine, gasket_mm: float | None) -> Iterator[Figure]:
    """What room clay showed, less what the gasket takes."""
    if gasket_mm is not None and not engine.gasket_mm:
        return
    for room, name, least in (
        (engine.squish_mm, "piston to head", LEAST_SQUISH_MM),
        (engine.valve_clearance_mm, "valve to piston", LEAST_VALVE_MM),
    ):
        if room is not None:
            inputs = [Known(room, TOLERANCE.clay_mm), _thinner(engine, gasket_mm)]
            yield reckoned(name, "mm", "clay", lambda a, b: a - b, inputs, (least, PRACTICE))


def _thinner(engine: Engine, gasket_mm: float | None) -> Known:
    """By how much the new gasket is thinner; both are known to the same."""
    if gasket_mm is None:
        return Known(0.0)
    return Known((engine.gasket_mm or 0.0) - gasket_mm, math.sqrt(2) * TOLERANCE.gasket_mm)
