"""Gauges: pure functions of values and size that give small RGBA pictures, one module a gauge.

A gauge is built once for a size and its fixed settings, draws its static layers then, and gives a
picture for each set of values. The picture is straight-alpha RGBA in a buffer that the next call
draws over.
"""

from __future__ import annotations

from pkgutil import resolve_name
from typing import TYPE_CHECKING, Any

from overlay.errors import UsageError

if TYPE_CHECKING:
    from overlay.gauges.base import Gauge

# Name in options and layouts: the class, which is imported when it is first asked for, since the
# command line needs the names only.
GAUGES: dict[str, str] = {
    "ribbon": "overlay.gauges.ribbon:Ribbon",
    "comb": "overlay.gauges.comb:Comb",
    "ladder": "overlay.gauges.ladder:Ladder",
    "gap": "overlay.gauges.gapbar:GapBar",
    "strip": "overlay.gauges.strip:Strip",
    "accel": "overlay.gauges.accel:AccelBar",
}


def gauge_class(kind: str) -> type[Gauge[Any]]:
    """The class of a gauge by its name in `GAUGES`.

    Raises
    ------
    UsageError
        If there is none of that name.
    """
    if kind not in GAUGES:
        raise UsageError(f"unknown gauge {kind!r}: use one of {', '.join(GAUGES)}")
    found: type[Gauge[Any]] = resolve_name(GAUGES[kind])
    return found
