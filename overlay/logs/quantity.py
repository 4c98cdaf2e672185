"""Quantities in running text: a word, a number and perhaps a unit, as in ``Speed: 12.3 km/h``."""

from __future__ import annotations

import re
from collections.abc import Iterator

from overlay.logs.headers import SPEED_UNIT_NAMES, unit_of
from overlay.units import MPS_PER

NUMBER = r"[+-]?(?:\d{1,12}(?:[.,]\d{0,20})?|\.\d{1,20})(?:[eE][+-]?\d{1,3})?"
UNIT = r"[^\d\s,;|\]\[()<>:=]{1,16}(?![\w/]*\s*[:=])"  # no unit: the word of the next quantity
VALUE = re.compile(rf"({NUMBER})\s*({UNIT})?")
PAIR = re.compile(rf"([A-Za-z][\w. ]{{0,24}}?)\s*[:=]\s*({NUMBER}\s*(?:{UNIT})?)")


def in_mps(text: str, unit: str) -> float:
    """A speed in m/s: its own unit where the text has one, else `unit`; NaN where it is none.

    Examples
    --------
    >>> in_mps("12.5", "m/s"), in_mps("36 km/h", "m/s"), in_mps("5 furlongs", "m/s")
    (12.5, 10.0, nan)
    """
    match = VALUE.fullmatch(text.strip()[:64])
    known = unit_of(match.group(2) or unit) if match else None
    if match is None or known not in SPEED_UNIT_NAMES:
        return float("nan")
    return float(match.group(1).replace(",", ".")) * MPS_PER[known]


def quantities(text: str) -> Iterator[tuple[str, str]]:
    """Each word and what follows its colon or equals sign, with the unit behind the number.

    Examples
    --------
    >>> list(quantities("Speed: 12.3 km/h, heading=90"))
    [('speed', '12.3 km/h'), ('heading', '90')]
    """
    for match in PAIR.finditer(text[:1000]):
        yield match.group(1).strip().lower(), match.group(2).strip()
