"""Figures of what to try next in the unit that the sheet asks for."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import Any

from overlay.plan.figure import Figure
from overlay.units import mps_to_speed

_PER = "rpm per m/s"


def in_unit(value: Any, unit: str) -> Any:
    """The same with every speed in `unit`, through dataclasses and tuples.

    Speeds are what says ``m/s`` or ``rpm per m/s`` for its unit.

    Examples
    --------
    >>> in_unit((Figure("clutch locks at", 10.0, "m/s", "logged revs"),), "km/h")[0].value
    36.0
    """
    each = mps_to_speed(1.0, unit)
    if isinstance(value, tuple):
        return tuple(in_unit(one, unit) for one in value)
    if isinstance(value, Figure):
        return _figure(value, unit, each)
    if not is_dataclass(value) or isinstance(value, type):
        return value
    old: dict[str, Any] = {one.name: getattr(value, one.name) for one in fields(value)}
    new = {name: in_unit(one, unit) for name, one in old.items()}
    if new.get("unit") == "m/s":  # a goal over the gearing
        new |= {"unit": unit, **{name: each * new[name] for name in ("value", "low", "high")}}
    if "predicted" in old and old["predicted"].unit == "m/s":
        new["measured"] = each * old["measured"]
    return replace(value, **new)


def _figure(figure: Figure, unit: str, each: float) -> Figure:
    if figure.unit not in ("m/s", _PER):
        return figure
    factor = each if figure.unit == "m/s" else 1 / each
    low, high, limit = (
        None if number is None else factor * number
        for number in (figure.low, figure.high, figure.limit)
    )
    shown = figure.unit.replace("m/s", unit)
    return replace(figure, unit=shown, value=factor * figure.value, low=low, high=high, limit=limit)
