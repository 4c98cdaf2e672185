"""Damaged and hostile files by the thousand: no unforeseen error, no hang, bounded memory.

Run ``python -m tests.benchmarks.trust.inputs --kind film --count 20000`` from the checkout; kinds
are those of :mod:`tests.benchmarks.trust.parsers`. Each case is a good file mutated by its number:
flipped bytes, pieces cut out, repeated or moved, sizes and counts that lie, hostile words, a cut
end. A case passes when it is read, or refused by one of our own errors of one line, within 5 s of
processor time. Exit code 1 if any fails; ``--first N`` goes on there, ``--case N`` repeats one.
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
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from time import process_time
from typing import Any

import numpy as np

from overlay.errors import TimetrueError
from tests.benchmarks.trust.parsers import PARSERS

LONGEST_S = 5.0
MOST_BYTES = 1 << 30
BATCH = 4000
SEED = 20260527

WORDS = (
    b"nan", b"inf", b"-1e999", b"9" * 5000, b"0001-01-01T00:00:00Z", b"9999-12-31T23:59:60Z",
    b"=1+1", b"@SUM(A1)", b"1.707", b"1,707", b"\x00", b"\xff\xfe", b"<trkpt>", b"]]>", b"<!--",
    b"$GPRMC,,,,*00", b"-->", b"00:00:00,000", b"\"", b";", b"\t", b"\r", b"\n" * 200, b"()" * 500,
    b"24:60:61", b"e", b"-", b"+" * 300, b"\xe2\x80\xaf", b"T" * 300, b"(" * 2000, b"&lt;",
    b"../../etc/passwd", b"concat:a|b", b"pipe:0", b"http://x/", b"C:\\a", b"[" * 3000,
    b"{\"a\":" * 500, b"1e308", b"-0.0", b"1_0", b"\\u0000", b"\xf0\x9f\x8f\x81", b"'''", b"NaN",
)  # fmt: skip

_at: Any = None  # of a batch's process: the number of the case it is at


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


def judged(kind: str, path: Path) -> str:
    """``read``, ``refused``, or what is wrong with how a file was read."""
    start_s = process_time()  # of this process: other work on the machine does not count
    try:
        PARSERS[kind].read(path)
        result = "read"
    except TimetrueError as error:
        lines = getattr(error, "problems", None) or [error]
        is_plain = not any("\n" in str(line) for line in lines)
        result = "refused" if is_plain else "a message of several lines"
    except Exception:
        result = "unforeseen: " + traceback.format_exc().strip().splitlines()[-1]
    taken_s = process_time() - start_s
    return result if taken_s < LONGEST_S else f"took {taken_s:.1f} s"


def _with_number(at: Any) -> None:
    global _at
    _at = at


def batch(task: tuple[str, int, int, int]) -> tuple[dict[str, int], list[str], int]:
    """Outcomes of a stretch of cases, the bad ones, and the peak memory in bytes."""
    kind, seed, first, last = task
    warnings.simplefilter("error")
    files, counts, bad = PARSERS[kind].good(), {"read": 0, "refused": 0}, []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.log"
        for number in range(first, last):
            _at.value = number
            rng = np.random.default_rng([seed, number])
            path.write_bytes(mutated(files[number % len(files)], rng))
            result = judged(kind, path)
            if result in counts:
                counts[result] += 1
            else:
                bad.append(f"case {number}: {result}")
    return counts, bad, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def campaign(kind: str, seed: int, first: int, last: int) -> bool:
    """Run and print the cases of one kind; whether all passed."""
    counts, bad, peak, at, start = {"read": 0, "refused": 0}, [], 0, first, first
    context = multiprocessing.get_context("spawn")
    number = context.Value("q", first)
    while at < last:
        task = (kind, seed, at, min(at + BATCH, last))
        # A process a batch: one that a decoder kills loses that batch's rest, not the run.
        with ProcessPoolExecutor(1, context, _with_number, (number,)) as pool:
            work = pool.submit(batch, task)
            try:
                found = work.result(timeout=BATCH * LONGEST_S)
            except (BrokenProcessPool, TimeoutError) as error:
                bad.append(f"case {number.value}: {type(error).__name__}")
                for process in (pool._processes or {}).values():
                    process.kill()
                at = number.value + 1
                continue
        at = task[3]
        for key, value in found[0].items():
            counts[key] += value
        bad += found[1]
        peak = max(peak, found[2])
    print(
        f"{kind}, seed {seed}, from {start}: {counts['read']} read, {counts['refused']} refused, "
        f"{len(bad)} wrong; peak memory {peak / 2**20:.0f} MiB",
        flush=True,
    )
    print("".join(f"{line}\n" for line in bad[:20]), end="", flush=True)
    return not bad and peak <= MOST_BYTES


def main() -> int:
    """Run the cases; 1 if any fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=PARSERS, action="append", help="all by default")
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--case", type=int)
    options = parser.parse_args()
    first, last = options.first, options.first + options.count
    if options.case is not None:
        first, last = options.case, options.case + 1
    passed = [campaign(kind, options.seed, first, last) for kind in options.kind or PARSERS]
    return int(not all(passed))


if __name__ == "__main__":
    sys.exit(main())
