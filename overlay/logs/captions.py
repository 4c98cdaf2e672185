"""Timed text beside a clip, SubRip or WebVTT, whose lines hold speed or position.

Cue times (``00:00:01,500 --> 00:00:02,000``) count from the start of the clip. Quantities are
found by their words, as in the headers of tables; a lone number with a unit of speed is a speed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

import numpy as np

from overlay.errors import InputError, UsageError
from overlay.logs.clean import Raw
from overlay.logs.formats import LogFormat, Reading, decoded
from overlay.logs.headers import ALIASES, recognised, unit_of
from overlay.logs.model import ALTITUDE, LATITUDE, LONGITUDE, RPM, SPEED, Cleaning
from overlay.logs.quantity import VALUE, in_mps, quantities
from overlay.units import MPS_PER

STAMP = r"(?:(\d{1,4}):)?([0-5]?\d):([0-5]?\d)[,.](\d{1,3})"
CUE = re.compile(rf"{STAMP}[ \t]*-->[ \t]*(?:\d{{1,4}}:)?\d{{1,2}}:\d{{1,2}}[,.]\d{{1,3}}")
# Times of a cue in SubRip and WebVTT (W3C WebVTT, 4.1).
CUE_TIMES = re.compile(
    r"\d{1,2}:\d{1,2}[,.]\d{1,3}[ \t]*-->[ \t]*(?:\d{1,4}:)?\d{1,2}:\d{1,2}[,.]\d"
)
TAG = re.compile(r"<[^<>]{0,80}>|\{[^{}]{0,80}\}")
ROLES = {"speed": SPEED, "rpm": RPM, "lat": LATITUDE, "lon": LONGITUDE, "alt": ALTITUDE}
ABBREVIATED = {"h.s": "speed", "hs": "speed", "gs": "speed", "abs_alt": "alt"}
LONGEST_CUE = 1000  # characters


def read_captions(data: bytes, path: str, given: Reading) -> Raw:
    """Read timed text, on the footage's clock; each cue counts at its start.

    The column map is ``{"speed": "V:km/h"}`` where a word is unusual or lacks its unit.

    Raises
    ------
    InputError
        If no cue holds a speed or a position, or a speed lacks its unit.
    UsageError
        If `columns` names something else than a channel or a unit.
    """
    words = _words(given.columns or {})
    times: list[float] = []
    rows: list[dict[str, float]] = []
    used: dict[str, str] = {}
    without_unit = ""
    for at_s, text in _cues(decoded(data)):
        row, bare = _values(text, words, used)
        without_unit = without_unit or bare
        times.append(at_s)
        rows.append(row)
    found = [name for name in ROLES.values() if any(name in row for row in rows)]
    if without_unit and SPEED not in found:
        raise InputError(
            f"{path}: its speeds, such as {without_unit!r}, do not say their unit, which is never "
            f'guessed; map it, such as speed="{without_unit.partition(":")[0]}:km/h"'
        )
    if not {SPEED, RPM} & set(found) and not {LATITUDE, LONGITUDE} <= set(found):
        raise InputError(
            f"{path}: none of its {len(times)} lines of timed text holds a speed or a position, "
            'such as "Speed: 12.3 km/h"; give a GPX, NMEA or CSV log'
        )
    values = {name: np.array([row.get(name, np.nan) for row in rows]) for name in found}
    note = "times count from the start of the clip that the timed text belongs to"
    counts = Cleaning(records_read=len(times), notes=(note,))
    said = ", ".join(f"{role} {word!r}" for role, word in used.items())
    source = f"timed text, {used['speed']!r}" if SPEED in found else None
    at = np.array(times)
    return Raw(path, "captions", "footage", at, values, None, None, source, counts, said)


def _cues(text: str) -> Iterator[tuple[float, str]]:
    found = list(CUE.finditer(text))
    for match, following in zip(found, [*found[1:], None], strict=True):
        hours, minutes, seconds, fraction = match.groups()
        at_s = int(hours or 0) * 3600 + int(minutes) * 60 + int(seconds)
        end = following.start() if following else len(text)
        body = text[match.end() : min(end, match.end() + LONGEST_CUE)]
        yield at_s + int(fraction) / 10 ** len(fraction), TAG.sub(" ", body)


def _values(
    text: str, words: Mapping[str, tuple[str, str | None]], used: dict[str, str]
) -> tuple[dict[str, float], str]:
    """Values of one cue by channel, and a speed that lacks its unit."""
    row: dict[str, float] = {}
    without_unit = ""
    for word, value in quantities(text):
        role, unit = words.get(word) or _role(word)
        if role is None or ROLES[role] in row:
            continue
        if role == "speed":
            number = in_mps(value, unit or "")
            if np.isnan(number):
                without_unit = without_unit or f"{word}: {value}"
                continue
        else:
            match = VALUE.match(value)
            number = float(match.group(1).replace(",", ".")) if match else np.nan
        row[ROLES[role]] = number
        used.setdefault(role, word)
    if SPEED not in row and "speed" not in words:
        alone = [m for m in VALUE.finditer(text) if unit_of(m.group(2) or "") in MPS_PER]
        if len(alone) == 1:
            row[SPEED] = in_mps(alone[0].group(), "")
            used.setdefault("speed", alone[0].group(2))
    return row, without_unit


def _role(word: str) -> tuple[str | None, str | None]:
    found = (ABBREVIATED.get(word), None) if word in ABBREVIATED else recognised(word)
    return found if found is not None and found[0] in ROLES else (None, None)


def _words(columns: Mapping[str, str]) -> dict[str, tuple[str, str | None]]:
    words: dict[str, tuple[str, str | None]] = {}
    for key, value in columns.items():
        role = ALIASES.get(key, key)
        if role not in ROLES:
            raise UsageError(f"column map: {key!r} is no channel; use one of {', '.join(ROLES)}")
        word, _, unit_text = value.partition(":")
        unit = unit_of(unit_text) if unit_text else None
        if unit_text and (role != "speed" or unit not in MPS_PER):
            raise UsageError(f"column map: {unit_text!r} is no unit for {key}")
        words[word.strip().lower()] = role, unit
    return words


FORMAT = LogFormat(
    lambda head: not head.is_markup and CUE_TIMES.search(head.text) is not None,
    read_captions,
    takes_columns=True,
)
