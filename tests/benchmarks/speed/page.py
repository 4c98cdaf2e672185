"""The page of a day against its bars, and how well the player keeps gauges on the picture.

Run: ``python -m tests.benchmarks.speed.page``. It builds the page of a simulated day of 13 runs,
opens it in Chromium, and plays clips whose pictures and gauges carry their frame's number: uneven
frame times at full and half speed, and 60 frames a second. Each screen that comes is read. Exit
code 1 when a bar is missed.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

from overlay.page.sent import write_page
from tests.page.browser import chromium, quiet_page, screens_of, wait_until, write_viewer
from tests.page.days import evidence_for, results_for
from tests.page.numbered import on_screen, uneven_times_ms, write_numbered

SIZE_BAR_MIB, BUILD_BAR_S, READY_BAR_S, APART_BAR = 5.0, 10.0, 2.0, 1
FRAMES = 240


def built(folder: Path) -> bool:
    """Build the page."""
    results = results_for(folder, 6)
    evidence = evidence_for(results)
    wall_s, own_s = time.perf_counter(), time.process_time()
    write_page(folder / "results.html", results, evidence)
    wall_s, own_s = time.perf_counter() - wall_s, time.process_time() - own_s
    size_mib = (folder / "results.html").stat().st_size / 2**20
    print(
        f"page of {len(results.runs)} runs: {size_mib:.2f} MiB, built in {wall_s:.1f} s, ", end=""
    )
    print(f"{own_s:.1f} s of the processor")
    return size_mib < SIZE_BAR_MIB and own_s < BUILD_BAR_S


def opened(browser: Any, folder: Path) -> bool:
    """Open it three times."""
    found = []
    for _ in range(3):
        page, _ = quiet_page(browser, viewport={"width": 1280, "height": 900})
        page.goto((folder / "results.html").as_uri())
        wait_until(page, "document.documentElement.dataset.ready === 'true'")
        found.append(page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd"))
        page.context.close()
    print(f"interactive after {', '.join(f'{ms / 1000:.2f}' for ms in found)} s")
    return min(found) / 1000 < READY_BAR_S


def played(browser: Any, folder: Path, name: str, times_ms: list[int], rate: float) -> bool:
    """Play a clip and read every screen."""
    data = write_numbered(folder, times_ms)
    script = (
        "window.view = document.querySelector('run-view');"
        f"await view.show({{ data: {json.dumps(data)} }});"
    )
    write_viewer(folder / "view.html", "<run-view></run-view>", script)
    page, _ = quiet_page(browser, viewport={"width": 400, "height": 400})
    page.goto((folder / "view.html").as_uri())
    wait_until(page, "window.isReady")
    with screens_of(page) as screens:
        page.evaluate(f"view.rate = {rate}; view.play()")
        wait_until(page, f"view.frame >= {FRAMES - 3}", seconds=60)
    page.context.close()
    apart = Counter(picture - gauges for gauges, picture in map(on_screen, screens))
    told = ", ".join(f"{count} by {frames}" for frames, count in sorted(apart.items()))
    print(f"{name}: {len(screens)} screens; picture ahead of its gauges in frames: {told}")
    return all(abs(frames) <= APART_BAR for frames in apart)


def main() -> int:
    """Measure all."""
    with tempfile.TemporaryDirectory() as name, chromium() as browser:
        folder = Path(name)
        uneven, even = uneven_times_ms(FRAMES), [round(1000 * n / 60) for n in range(FRAMES)]
        good = [
            built(folder),
            opened(browser, folder),
            played(browser, folder, "uneven times", uneven, 1),
            played(browser, folder, "uneven times at half speed", uneven, 0.5),
            played(browser, folder, "60 pictures a second", even, 1),
        ]
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
