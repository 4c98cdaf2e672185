"""What a frame of each gauge costs, at its size in a 1080p picture and in a 4K picture.

Run: ``python -m tests.benchmarks.speed.gauges``. Times are processor time, so that other programs
on the machine do not count. Exit code 1 if a gauge takes more than 1 ms a frame at 1080p.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

from overlay.gauges.accel import AccelBar, AccelValues
from overlay.gauges.canvas import Rgba
from overlay.gauges.comb import Comb, CombValues
from overlay.gauges.gapbar import GapBar, GapValues
from overlay.gauges.ladder import Ladder, LadderValues, RungState, SpoiledPart
from overlay.gauges.layout import Placement, layout_for
from overlay.gauges.ribbon import Ribbon, RibbonValues
from overlay.gauges.strip import Strip, StripValues

FRAMES = 600
MOST_MS = 1.0
Draw = Callable[[float], Rgba]


def drawer(box: Placement) -> Draw:
    """A function of progress, 0 to 1, that draws the gauge of a box in its costliest state."""
    size = (box.width, box.height)
    if box.gauge_kind == "ribbon":
        ribbon = Ribbon(*size, full_scale_mps=20.0, ticks=[(8.9408, "20"), (13.4112, "30")])
        return lambda s: ribbon.draw(RibbonValues(20 * s, 0.3))
    if box.gauge_kind == "comb":
        comb = Comb(*size, full_scale_rpm=6000, limiter_rpm=5000, caution_rpm=3600)
        return lambda s: comb.draw(CombValues(6000 * s, True, True, 0.2))
    if box.gauge_kind == "ladder":
        ladder = Ladder(*size, labels=("10 mph", "20 mph", "30 mph", "60 m"))
        spoiled = (SpoiledPart("wheelspin", 0.1, 0.4), SpoiledPart("limiter", 0.6, 0.7))
        rungs = (RungState("passed", 1.0, 3.05, 0.03, spoiled),) * 4
        return lambda s: ladder.draw(LadderValues(rungs))
    if box.gauge_kind == "gap":
        gap = GapBar(*size, names=("stock clutch", "drum clutch"))
        return lambda s: gap.draw(GapValues(2 * s - 1, 10 * s, 0.2))
    if box.gauge_kind == "strip":
        strip = Strip(*size, length_m=66.0, names=("stock", "drum"), ticks=[(60.0, "60 m")])
        return lambda s: strip.draw(StripValues((66 * s, 60 * s)))
    accel = AccelBar(*size, full_scale_mps2=5.0)
    return lambda s: accel.draw(AccelValues(10 * s - 5, 0.3))


def main() -> int:
    """Print a table; see the module's text for the exit code."""
    worst = 0.0
    print("picture    gauge   pixels      build ms  ms a frame")
    for width, height in ((1920, 1080), (3840, 2160)):
        kinds = ("ribbon", "comb", "ladder", "gap", "strip", "accel")
        for box in layout_for(width, height, kinds):
            start = time.process_time()
            draw = drawer(box)
            built = time.process_time()
            for frame in range(FRAMES):
                draw(frame / FRAMES)
            cost_ms = (time.process_time() - built) / FRAMES * 1e3
            size = f"{box.width}×{box.height}"
            build_ms = (built - start) * 1e3
            print(
                f"{width}×{height:<5} {box.gauge_kind:<7} {size:<10}{build_ms:9.0f}{cost_ms:11.3f}"
            )
            if height == 1080:
                worst = max(worst, cost_ms)
    print(f"worst at 1080p: {worst:.3f} ms (bar: {MOST_MS:g} ms)")
    return 0 if worst <= MOST_MS else 1


if __name__ == "__main__":
    sys.exit(main())
