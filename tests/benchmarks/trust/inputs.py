"""Damaged and hostile logs and films: no unforeseen error, no hang, bounded memory.

Run ``python -m tests.benchmarks.trust.inputs --kind film --count 20000`` from the checkout; kinds
are film (timed metadata), gpx, nmea, table, fit and captions. Each case is a good file mutated by
its number: flipped bytes, pieces cut out, repeated or moved, sizes and counts that lie, hostile
words, a cut end. A case passes when it is read or refused by one of our own errors of one line,
within 5 s of processor time. Exit code 1 if any fails; ``--case N`` repeats one.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import struct
import sys
import tempfile
import traceback
import warnings
from pathlib import Path
from time import process_time

import numpy as np

from overlay.errors import TimetrueError
from overlay.logs import read_log
from tests.logs.carried import captions, fit
from tests.logs.containers import (
    Track,
    camm_gps,
    device,
    film,
    other_stream,
    stream5,
    stream9,
    video_track,
)
from tests.logs.samples import GOOD

KINDS = ("film", "gpx", "nmea", "table", "fit", "captions")
LONGEST_S = 5.0
MOST_BYTES = 1 << 30
BATCH = 500


WORDS = (
    b"nan", b"inf", b"-1e999", b"9" * 5000, b"0001-01-01T00:00:00Z", b"9999-12-31T23:59:60Z",
    b"=1+1", b"1.707", b"1,707", b"\x00", b"\xff\xfe", b"<trkpt>", b"]]>", b"<!--", b"&lt;",
    b"$GPRMC,,,,*00", b"-->", b"00:00:00,000", b"\"", b";", b"\t", b"\r", b"\n" * 200, b"()" * 500,
    b"24:60:61", b"e", b"-", b"+" * 300, b"\xe2\x80\xaf", b"T" * 300, b"(" * 2000,
)  # fmt: skip


def good_logs(kind: str) -> list[bytes]:
    """Whole files of one kind."""
    if kind == "film":
        return good_films()
    if kind == "fit":
        return [fit(), fit(with_speed=False)]
    if kind == "captions":
        lines = (lambda i, v: f"Speed: {v:.2f} km/h", lambda i, v: f"<b>{v:.1f} mph</b> [lat: 52]")
        return [captions(line, web=web).encode() for line in lines for web in (False, True)]
    names = {"gpx": ("gpx",), "nmea": ("nmea",), "table": ("table",)}[kind]
    return [data for name, data in GOOD.items() if any(n in name for n in names)]


def good_films() -> list[bytes]:
    """Films of each kind, small enough that every byte is hit."""
    places = [(52 + i * 1e-5, 0.5, 20.0, 0.3 * i, 0.3 * i) for i in range(30)]
    nine = [(*row, 9618, 36000 + i / 10, 1.2, 3) for i, row in enumerate(places)]
    fives = [device(other_stream(20), stream5(places[i : i + 10])) for i in (0, 10, 20)]
    nines = [device(stream9(nine[i : i + 10])) for i in (0, 10, 20)]
    gps = [
        camm_gps(epoch_s=1.46e9 + i / 10, fix=3, lat=52, lon=0.5, alt=20, east=0.3 * i, north=0)
        for i in range(30)
    ]
    video = video_track(6, 2)
    return [
        film(video, Track("gpmd", fives, [1000] * 3)),
        film(video, Track("gpmd", nines, [1000] * 3, start=200)),
        film(video, Track("camm", gps, [100] * 30)),
        film(video, Track("gpmd", fives, [1000] * 3), Track("camm", gps, [100] * 30)),
    ]


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """One to four changes; in films most of them in the timed metadata or the index."""
    out = bytearray(data)
    places = [at for key in (b"DEVC", b"moov", b"stbl", b"GPS") if (at := data.find(key)) >= 0]
    for _ in range(int(rng.integers(1, 5))):
        if len(out) < 16:
            break
        at = int(rng.integers(0, len(out) - 8))
        if places and rng.random() < 0.7:
            at = min(int(rng.choice(places)) + int(rng.integers(0, 900)), len(out) - 8)
        kind = int(rng.integers(0, 7))
        length = int(rng.integers(1, 200))
        if kind == 0:
            out[at] = int(rng.integers(0, 256))
        elif kind == 1:
            lie = int(rng.choice([0, 1, 7, 2**16, 2**31, 2**32 - 1]))
            out[at : at + 4] = struct.pack(">I", lie)
        elif kind == 2:
            del out[at : at + length]
        elif kind == 3:
            out[at:at] = out[at : at + length]
        elif kind == 4:
            out[at : at + length] = (
                rng.integers(0, 256, len(out[at : at + length])).astype(np.uint8).tobytes()
            )
        elif kind == 5:
            out[at : at + int(rng.integers(0, 6))] = WORDS[int(rng.integers(0, len(WORDS)))]
        elif rng.random() < 0.2:
            del out[at:]
    return bytes(out)


def outcome(seed: int, number: int, files: list[bytes], path: Path) -> str:
    """``read``, ``refused``, or what is wrong."""
    rng = np.random.default_rng([seed, number])
    path.write_bytes(mutated(files[number % len(files)], rng))
    start_s = process_time()  # of this process: other work on the machine does not count
    try:
        log = read_log(path)
        result = "read"
        for series in log.channels.values():
            if not np.all(np.isfinite(series.values)):
                result = "values that are no numbers"
    except TimetrueError as error:
        result = "refused" if "\n" not in str(error) else "a message of several lines"
    except Exception:
        result = "unforeseen: " + traceback.format_exc().strip().splitlines()[-1]
    taken_s = process_time() - start_s
    return result if taken_s < LONGEST_S else f"took {taken_s:.1f} s"


def batch(task: tuple[str, int, int, int]) -> tuple[dict[str, int], list[str], int]:
    """Outcomes of a stretch of cases, the bad ones, and the peak memory in bytes."""
    kind, seed, first, last = task
    warnings.simplefilter("error")
    files, counts, bad = good_logs(kind), {"read": 0, "refused": 0}, []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(first, last):
            result = outcome(seed, number, files, Path(folder) / "run.log")
            if result in counts:
                counts[result] += 1
            else:
                bad.append(f"case {number}: {result}")
    return counts, bad, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def main() -> int:
    """Run the cases; 1 if any fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=KINDS, default="film")
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=20260527)
    parser.add_argument("--case", type=int)
    options = parser.parse_args()
    first, last = (options.case, options.case + 1) if options.case else (0, options.count)
    tasks = [
        (options.kind, options.seed, at, min(at + BATCH, last)) for at in range(first, last, BATCH)
    ]
    counts, bad, peak = {"read": 0, "refused": 0}, [], 0
    context = multiprocessing.get_context("spawn")
    for task in tasks:
        # A process a batch: one that a decoder kills loses that batch's number, not the run.
        with context.Pool(1) as pool:
            try:
                found = pool.apply_async(batch, (task,)).get(timeout=BATCH * LONGEST_S)
            except multiprocessing.TimeoutError:
                bad.append(f"cases {task[2]} to {task[3]}: died or hung")
                continue
        for key, value in found[0].items():
            counts[key] += value
        bad += found[1]
        peak = max(peak, found[2])
    print(
        f"{options.kind}, seed {options.seed}: {counts['read']} read, {counts['refused']} refused, "
        f"{len(bad)} wrong; peak memory {peak / 2**20:.0f} MiB"
    )
    print("\n".join(bad[:20]))
    return int(bool(bad) or peak > MOST_BYTES)


if __name__ == "__main__":
    sys.exit(main())
