"""Tables for a terminal: plain text, aligned, no colour codes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from overlay.units import mps_to_speed


def facts_table(facts: Mapping[str, Any]) -> str:
    """Facts as two columns: the name in words with its unit, and the value.

    Examples
    --------
    >>> print(facts_table({"duration_s": 2.0, "is_cut_off": False}))
    duration (s)  2.0
    is cut off    no
    """
    rows = list(_rows(facts))
    wide = max((len(name) for name, _ in rows), default=0)
    return "\n".join(f"{name:<{wide}}  {value}".rstrip() for name, value in rows)


def columns(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Rows under a header, the first column flush left and the rest flush right.

    Examples
    --------
    >>> print(columns(["run", "s"], [["A1", "3.2"], ["B10", "11.0"]]))
    run     s
    A1    3.2
    B10  11.0
    """
    table = [list(header), *(list(row) for row in rows)]
    wide = [max(len(row[i]) for row in table) for i in range(len(header))]
    lines = []
    for row in table:
        cells = [
            row[0].ljust(wide[0]),
            *(c.rjust(w) for c, w in zip(row[1:], wide[1:], strict=True)),
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def speed_text(speed_mps: float, unit: str) -> str:
    """A speed in the user's unit, one decimal.

    Examples
    --------
    >>> speed_text(10.0, "km/h")
    '36.0 km/h'
    """
    return f"{mps_to_speed(speed_mps, unit):.1f} {unit}"


_UNITS = {
    "_s": " (s)",
    "_hz": " (Hz)",
    "_px": " (px)",
    "_deg": " (degrees)",
    "_mps": " (m/s)",
    "_rpm": " (rpm)",
    "_m": " (m)",
}


def _words(key: str) -> str:
    for suffix, unit in _UNITS.items():
        if key.endswith(suffix):
            return key[: -len(suffix)].replace("_", " ") + unit
    return key.replace("_", " ")


def _rows(facts: Mapping[str, Any]) -> Any:
    for key, value in facts.items():
        name = _words(key)
        if isinstance(value, Mapping):
            flat = not any(isinstance(detail, Mapping) for detail in value.values())
            for inner, detail in {key: value}.items() if flat else value.items():
                text = ", ".join(f"{_words(k)} {_show(v)}" for k, v in detail.items())
                yield _words(inner), text
        elif isinstance(value, list) and key in ("notes", "gaps_s", "good_for", "next_time"):
            yield name, "none" if not value else _show(value[0])
            yield from (("", _show(item)) for item in value[1:])
        else:
            yield name, _show(value)


def _show(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return " to ".join(_show(item) for item in value)
    return str(value)
