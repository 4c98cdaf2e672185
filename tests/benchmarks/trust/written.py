"""Inputs written in the right shape with hostile values in it, shrunk to the least that fails.

Run ``python -m tests.benchmarks.trust.written --count 5000`` from the checkout, with
``hypothesis`` installed: tables, GPX, NMEA sentences with right checksums, day sheets and notes of
finished clips, whose cells are numbers in every way of writing, words that spreadsheets take for
formulas, paths out of the folder, names of protocols, years 1 and 9999, NaN and infinities. Exit
code 1 if one is answered by an unforeseen error, by values that cannot be, or not within 5 s.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
import tomllib
from collections import Counter
from collections.abc import Callable, Sequence
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

import tomlkit
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from tests.benchmarks.trust.inputs import judged
from tests.benchmarks.trust.parsers import PARSERS

SEED = 20260527

HOSTILE = (
    "=1+1", "@SUM(A1)", "+cmd", "-2+3", "../../up", "/etc/passwd", "C:\\x", "concat:a|b", "pipe:0",
    "http://x/", "file:a", "nan", "NaN", "inf", "-inf", "1e999", "1e308", "-0", "0x1f", "1_000",
    "٣", "½", "1,707", "1.707", "1.234,5", "1 234", "1'234", "", " ", "\t", "\0", "a\nb", "\u202e",
    "9" * 400, "x" * 5000, "0001-01-01T00:00:00Z", "9999-12-31T23:59:60Z", "2026-02-30", "24:00:00",
    "12:00:00", "46000.5", "1.7E+12", "TRUE", "#N/A", "\ufeff", "é", "\U0001f3c1", "%s%n", "{0}",
)  # fmt: skip
HEADERS = (
    "time (s)", "t_ms", "time", "date", "UTC time", "speed (mph)", "speed_kmh", "v", "rpm", "RPM",
    "latitude", "lon", "altitude (ft)", "pid", "value", "unit", "engine speed (1/min)", "gear",
)  # fmt: skip

words = st.sampled_from(HOSTILE) | st.text(max_size=8)
reals = st.floats() | st.integers(-(10**19), 10**19)
cells = words | reals.map(str) | st.floats(-1e4, 1e4).map(lambda v: f"{v:.3f}")
values = words | reals | st.booleans() | st.none() | st.lists(reals | words, max_size=4)


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    """Rows that mostly count up, with hostile cells here and there."""
    first = draw(st.sampled_from(HEADERS[:5])), draw(st.sampled_from(HEADERS[5:9]))
    names = [*first, *draw(st.lists(st.sampled_from(HEADERS) | words, max_size=4))]
    mark = draw(st.sampled_from([",", ";", "\t", "|", " "]))
    step = draw(st.sampled_from([0.05, 0.1, 1, 100, 0.0, -0.1]))
    rows = [
        [f"{step * i:g}", *(str(i % 7) for _ in names[1:])] for i in range(draw(st.integers(2, 30)))
    ]
    for _ in range(draw(st.integers(0, 8))):
        row = draw(st.sampled_from(rows))
        row[draw(st.integers(0, len(row) - 1))] = draw(cells)
    lines = [mark.join(row) for row in [names, *rows]]
    return "\n".join(lines).encode(draw(st.sampled_from(["utf-8", "utf-16"])), "replace")


@st.composite
def tracks(draw: st.DrawFn) -> bytes:
    """GPX whose values are hostile here and there."""
    times = st.integers(0, 59).map(lambda s: f"2026-05-16T10:00:{s:02}Z") | words
    texts = st.floats(-90, 90).map(str) | cells
    points = []
    for _ in range(draw(st.integers(2, 12))):
        lat, lon, ele, speed = (_safe(draw(texts)) for _ in range(4))
        points.append(
            f'<trkpt lat="{lat}" lon="{lon}"><ele>{ele}</ele><time>{_safe(draw(times))}</time>'
            f"<speed>{speed}</speed></trkpt>"
        )
    inside = "".join(points)
    return f'<gpx version="1.1"><trk><trkseg>{inside}</trkseg></trk></gpx>'.encode(
        "utf-8", "replace"
    )


@st.composite
def sentences(draw: st.DrawFn) -> bytes:
    """NMEA sentences with right checksums round hostile fields."""
    lines = []
    for second in range(draw(st.integers(2, 12))):
        fields = [
            "GPRMC",
            f"1000{second:02}.00",
            "A",
            "5200.0",
            "N",
            "00030.0",
            "E",
            "12.5",
            "90",
            "160526",
        ]
        for _ in range(draw(st.integers(0, 2))):
            fields[draw(st.integers(0, len(fields) - 1))] = draw(cells)
        text = ",".join(fields).encode("latin-1", "replace")
        lines.append(b"$" + text + b"*%02X\r\n" % reduce(xor, text, 0))
    return b"".join(lines)


@st.composite
def sheets(draw: st.DrawFn) -> bytes:
    """The ready-made sheets with values changed, added and taken out."""
    raw = tomllib.loads(draw(st.sampled_from(PARSERS["sheet"].good())).decode())
    dates = st.datetimes() | st.dates() | st.times()
    _change(draw, raw, values.filter(lambda value: value is not None) | dates)
    try:
        return tomlkit.dumps(raw).encode("utf-8", "replace")
    except (ValueError, TypeError, KeyError):
        return b"x = 1"


@st.composite
def notes(draw: st.DrawFn) -> bytes:
    """Notes of finished clips with values changed, added and taken out."""
    raw = json.loads(draw(st.sampled_from(PARSERS["imprint"].good())))
    _change(draw, raw, values)
    return json.dumps(raw).encode("utf-8", "replace")


def _safe(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")


def _change(draw: st.DrawFn, raw: Any, others: st.SearchStrategy[Any]) -> None:
    """One to four changes anywhere in nested tables and lists."""
    for _ in range(draw(st.integers(1, 4))):
        place = raw
        while True:
            keys = list(place) if isinstance(place, dict) else range(len(place))
            if not keys:
                break
            key = draw(st.sampled_from(list(keys)))
            inner = place[key]
            if isinstance(inner, dict | list) and inner and draw(st.integers(0, 4)):
                place = inner
                continue
            what = draw(st.integers(0, 4))
            if what == 0:
                del place[key]
            elif what == 1 and isinstance(place, dict):
                place[draw(words) or "more"] = draw(others)
            else:
                place[key] = draw(others)
            break


KINDS: dict[str, Callable[[], st.SearchStrategy[bytes]]] = {
    "table": tables,
    "gpx": tracks,
    "nmea": sentences,
    "sheet": sheets,
    "imprint": notes,
}


def campaign(kind: str, number: int, count: int) -> bool:
    """Run and print the cases of one kind; whether all passed."""
    counts = Counter[str]()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.log"

        @seed(number)
        @settings(
            max_examples=count, deadline=None, database=None, suppress_health_check=HealthCheck
        )
        @given(KINDS[kind]())
        def each(data: bytes) -> None:
            path.write_bytes(data)
            result = judged(kind, path)
            counts[result] += 1
            assert result in ("read", "refused"), f"{result}: {data!r}"

        wrong = ""
        try:
            each()
        except Exception as error:
            wrong = f"{type(error).__name__}: {error}"[:2000]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{kind}, written, seed {number}: {counts['read']} read, {counts['refused']} refused, "
        f"{int(bool(wrong))} wrong; peak memory {peak:.0f} MiB",
        *filter(None, [wrong]),
        sep="\n",
        flush=True,
    )
    return not wrong and peak < 1024


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the cases; 1 if any fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=KINDS, action="append", help="all by default")
    parser.add_argument("--count", type=int, default=5_000)
    parser.add_argument("--seed", type=int, default=SEED)
    options = parser.parse_args(arguments)
    kinds = options.kind or KINDS
    return int(not all([campaign(kind, options.seed, options.count) for kind in kinds]))


if __name__ == "__main__":
    sys.exit(main())
