"""The jobs that are measured, each a process of its own.

Run: ``python -m tests.benchmarks.speed.work JOB SOURCE TARGET``. The gauges are the project's own,
at their own places, on a made-up run. The speed is never the same twice, so ribbon and comb are
drawn anew for each frame; ladder and gap bar when what they show changes by a pixel or a digit.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Hashable, Sequence
from fractions import Fraction
from typing import Any

import numpy as np

from overlay.gauges.comb import Comb, CombValues
from overlay.gauges.gapbar import GapBar, GapValues
from overlay.gauges.ladder import Ladder, LadderValues, RungState
from overlay.gauges.layout import LayoutRegion, layout_for
from overlay.gauges.ribbon import Ribbon, RibbonValues
from overlay.scene.layers import Layer

WIDTH, HEIGHT = 1920, 1080
LEAD_S = 2.0
GOALS = {"10 mph": 3.0, "20 mph": 7.0, "30 mph": 12.0, "60 m": 30.0}


def speed(t_s: float) -> RibbonValues:
    return RibbonValues(float(15 * (1 - np.exp(-t_s / 6))), 0.2)


def engine(t_s: float) -> CombValues:
    return CombValues(1800 + 3200 * (t_s / 5 % 1))


def rungs(t_s: float) -> LadderValues:
    return LadderValues(
        tuple(
            RungState("passed", 1.0, goal_s, 0.03)
            if t_s >= goal_s
            else RungState("filling", max(0.0, t_s) / goal_s)
            for goal_s in GOALS.values()
        )
    )


def rung_key(t_s: float) -> Hashable:
    return tuple((rung.status, round(rung.progress * 400)) for rung in rungs(t_s).rungs)


def gap(t_s: float) -> GapValues:
    return GapValues(0.05 * t_s, 0.4 * t_s, 0.04)


def gap_key(t_s: float) -> Hashable:
    return round(0.05 * t_s, 2), round(0.4 * t_s, 1)


def layer(box: Any, gauge: Any, values: Callable[[float], Any], key: Any = None) -> Layer:
    return Layer(box.x, box.y, box.width, box.height, lambda t_s: gauge.draw(values(t_s)), key)


WHOLE = LayoutRegion((0, 0, WIDTH, HEIGHT), "whole")
SIDES = tuple(LayoutRegion((x, 0, WIDTH / 2, HEIGHT), "side") for x in (0, WIDTH / 2))


def run_gauges(ground: LayoutRegion) -> list[Layer]:
    """Ribbon, comb and ladder of one run."""
    ribbon, comb, ladder = layout_for(WIDTH, HEIGHT, ["ribbon", "comb", "ladder"], ground)
    sizes = [(box.width, box.height) for box in (ribbon, comb, ladder)]
    return [
        layer(ribbon, Ribbon(*sizes[0], full_scale_mps=20.0), speed),
        layer(comb, Comb(*sizes[1], full_scale_rpm=6000.0), engine),
        layer(ladder, Ladder(*sizes[2], labels=list(GOALS)), rungs, rung_key),
    ]


def gap_gauge() -> Layer:
    (box,) = layout_for(WIDTH, HEIGHT, ["gap"], LayoutRegion(WHOLE.region, "shared-side"))
    return layer(box, GapBar(box.width, box.height, names=("Stock", "Long pipe")), gap, gap_key)


def draw(source: str, target: str) -> None:
    from overlay.render.draw import draw_clip

    draw_clip(source, run_gauges(WHOLE), target)


def pair(source: str, target: str, rate_hz: str | None = None) -> None:
    from overlay.footage import probe
    from overlay.render.together import Side, SplitScreen, compose_clips
    from overlay.scene import geometry_of

    facts = probe(source)
    a, b = (Side(facts, LEAD_S, None, run_gauges(side)) for side in SIDES)
    rate = None if rate_hz is None else Fraction(rate_hz)
    geometry = geometry_of([facts, facts], "side by side")
    compose_clips(
        SplitScreen([a, b], geometry, lead_s=LEAD_S, common=[gap_gauge()], rate_hz=rate), target
    )


def export(source: str, target: str) -> None:
    from overlay.render.alpha import alpha_clip

    alpha_clip(source, run_gauges(WHOLE), target)


def moviepy_layers(layers: Sequence[Layer], seconds: float, shift_s: float = 0.0) -> list[Any]:
    """Each gauge as moviepy would have it: colours and a mask, drawn once a frame."""
    from moviepy import VideoClip

    clips = []
    for one in layers:
        last: dict[str, Any] = {"t": None}

        def drawn(t_s: float, one: Layer = one, last: dict[str, Any] = last) -> Any:
            if last["t"] != t_s:
                last.update(t=t_s, picture=one.draw(t_s + shift_s).copy())
            return last["picture"]

        def color(t_s: float, drawn: Any = drawn) -> Any:
            return drawn(t_s)[..., :3]

        def cover(t_s: float, drawn: Any = drawn) -> Any:
            return drawn(t_s)[..., 3] / 255.0

        mask = VideoClip(cover, is_mask=True, duration=seconds)
        clip = VideoClip(color, duration=seconds).with_mask(mask)
        clips.append(clip.with_position((one.x, one.y)))
    return clips


def write_by_moviepy(clips: Sequence[Any], target: str) -> None:
    from moviepy import CompositeVideoClip

    from overlay.render.encoder import EncodeOptions, choose_encoder

    chosen = choose_encoder(EncodeOptions())
    words = list(chosen.arguments)
    preset, quality = (words[words.index(name) + 1] for name in ("-preset", "-crf"))
    film = CompositeVideoClip(list(clips), size=(WIDTH, HEIGHT))
    film.write_videofile(
        target,
        fps=30,
        codec=chosen.name,
        preset=preset,
        audio_codec="aac",
        pixel_format=chosen.pixel_format,
        ffmpeg_params=["-crf", quality],
        logger=None,
    )


def draw_by_moviepy(source: str, target: str) -> None:
    from moviepy import VideoFileClip

    film = VideoFileClip(source)
    write_by_moviepy([film, *moviepy_layers(run_gauges(WHOLE), film.duration)], target)


def pair_by_moviepy(source: str, target: str) -> None:
    from moviepy import VideoFileClip

    panes = []
    for x in (0, WIDTH // 2):
        pane = VideoFileClip(source).resized((WIDTH // 2, HEIGHT // 2))
        panes.append(pane.with_position((x, HEIGHT // 4)))
    seconds = panes[0].duration
    layers = [*run_gauges(SIDES[0]), *run_gauges(SIDES[1])]
    gauges = moviepy_layers(layers, seconds)
    gauges += moviepy_layers([gap_gauge()], seconds, -LEAD_S)
    write_by_moviepy([*panes, *gauges], target)


JOBS = {
    "draw": draw,
    "pair": pair,
    "layer": export,
    "moviepy-draw": draw_by_moviepy,
    "moviepy-pair": pair_by_moviepy,
}

if __name__ == "__main__":
    JOBS[sys.argv[1]](*sys.argv[2:])
