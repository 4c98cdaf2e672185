"""The contact sheet: every gauge in every state, over bright, dark and busy ground."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from overlay.gauges.accel import AccelBar
from overlay.gauges.canvas import Canvas, Rgba
from overlay.gauges.comb import Comb
from overlay.gauges.gapbar import GapBar
from overlay.gauges.ladder import Ladder
from overlay.gauges.palette import GROUND, INK, QUIET_INK, build_hue
from overlay.gauges.ribbon import Ribbon
from overlay.gauges.strip import Strip
from overlay.gauges.type import face, put_text
from overlay.gauges.values import (
    AccelValues,
    CombValues,
    GapValues,
    LadderValues,
    RibbonValues,
    RungState,
    SpoiledPart,
    StripValues,
)
from overlay.units import speed_to_mps

Rgb = npt.NDArray[np.uint8]
NAN = float("nan")
WIDTH_PX = 1920
_Entry = tuple[str, Rgba]


def over(picture: Rgb, gauge: Rgba, x: int, y: int) -> None:
    """Lay a gauge over a picture, in code values as ffmpeg's overlay does; changes `picture`."""
    height, width = gauge.shape[:2]
    under = picture[y : y + height, x : x + width].astype(np.float32)
    alpha = gauge[..., 3:].astype(np.float32) / 255.0
    mixed = under + alpha * (gauge[..., :3].astype(np.float32) - under)
    picture[y : y + height, x : x + width] = (mixed + 0.5).astype(np.uint8)


def contact_sheet(*, scale: float = 1.0) -> Rgb:
    """Every gauge in every state, at the sizes it has in a 1080p picture.

    Parameters
    ----------
    scale : float
        1 for a sheet 1920 px wide; 0.25 to 2.

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
        sRGB.
    """

    def even(pixels: float) -> int:
        return 2 * round(pixels * scale / 2)

    sections: list[tuple[str, int, list[_Entry]]] = [
        ("Ribbon · speed, ±95 %", 2, _ribbons(even)),
        ("Comb · engine speed", 3, _combs(even)),
        ("Ladder · splits", 3, _ladders(even)),
        ("Gap bar · who is ahead", 2, _gaps(even)),
        ("Track strip · distance along the run", 3, _strips(even)),
        ("Acceleration bar", 4, _accels(even)),
    ]
    width = even(WIDTH_PX)
    rows = [_section(title, columns, entries, width, even) for title, columns, entries in sections]
    return np.concatenate(rows)


def _section(
    title: str, columns: int, entries: Sequence[_Entry], width: int, even: Callable[[float], int]
) -> Rgb:
    """A title and a grid of pictures with their captions."""
    margin, caption_px, title_px = even(40), even(44), even(74)
    cell = entries[0][1].shape[0] + caption_px + even(16)
    rows = -(-len(entries) // columns)
    height = title_px + rows * cell + even(16)
    picture = _backdrop(width, height)
    text = Canvas(width, height)
    text.box((0, 0, width, title_px - even(14)), GROUND)
    baseline = title_px - even(32)
    put_text(text, title, margin, baseline, face(even(24), bold=True), INK)
    step = (width - 2 * margin) // columns
    for index, (caption, gauge) in enumerate(entries):
        x = 2 * ((margin + (index % columns) * step) // 2)
        y = title_px + (index // columns) * cell
        over(picture, gauge, x, y + caption_px)
        small = face(even(16))
        wide = small.width(caption)
        text.box(
            (x, y + even(6), x + wide + even(24), y + caption_px - even(6)),
            GROUND,
            radius=even(8),
            alpha=0.9,
        )
        put_text(text, caption, x + even(12), y + caption_px - even(14), small, QUIET_INK)
    over(picture, text.rgba(), 0, 0)
    return picture


def _backdrop(width: int, height: int) -> Rgb:
    """White, mid-grey with fine detail, and black, side by side: the worst footage there is."""
    x = np.linspace(0.0, 1.0, width)[None, :]
    y = np.arange(height)[:, None]
    grain = 46 * np.sin(np.arange(width)[None, :] * 0.55) * np.sin(y * 0.43 + x * 9.0)
    busy = 118 + grain
    level = np.where(x < 0.3, 250.0, np.where(x < 0.72, busy, 6.0))
    return np.repeat(level.astype(np.uint8)[..., None], 3, axis=2)


def _ribbons(even: Callable[[float], int]) -> list[_Entry]:
    ticks = [(speed_to_mps(v, "mph"), str(v)) for v in (10, 20, 30, 40)]
    full = speed_to_mps(45, "mph")
    ribbon = Ribbon(even(900), even(168), full_scale_mps=full, ticks=ticks)
    other = Ribbon(
        even(900),
        even(168),
        full_scale_mps=speed_to_mps(70, "km/h"),
        unit="km/h",
        ticks=[(speed_to_mps(v, "km/h"), str(v)) for v in (20, 40, 60)],
        hue=build_hue(1),
    )
    states = [
        ("at rest", ribbon, RibbonValues(0.0, 0.05)),
        ("under way", ribbon, RibbonValues(speed_to_mps(17.4, "mph"), 0.12)),
        ("wheel ahead of the ground", ribbon, RibbonValues(8.2, 0.15, 9.9)),
        ("less sure", ribbon, RibbonValues(12.4, 0.6)),
        ("full scale", ribbon, RibbonValues(full, 0.1)),
        ("gap in the log", ribbon, RibbonValues(NAN)),
        ("second build, km/h", other, RibbonValues(speed_to_mps(52.3, "km/h"), 0.1)),
        ("uncertainty not known", other, RibbonValues(speed_to_mps(8.0, "km/h"))),
    ]
    return [(caption, gauge.draw(values).copy()) for caption, gauge, values in states]


def _combs(even: Callable[[float], int]) -> list[_Entry]:
    comb = Comb(even(590), even(168), full_scale_rpm=6000, limiter_rpm=5000, caution_rpm=3600)
    heard = Comb(even(590), even(168), full_scale_rpm=6000, from_sound=True, hue=build_hue(1))
    states = [
        ("idle", comb, CombValues(1450)),
        ("pulling", comb, CombValues(4180)),
        ("wheelspin", comb, CombValues(4420, is_spinning=True, slip=0.24)),
        ("limiter cuts", comb, CombValues(5060, is_cutting=True)),
        ("both at once", comb, CombValues(5240, is_cutting=True, is_spinning=True, slip=0.3)),
        ("revs heard, not logged", heard, CombValues(3370)),
        ("no revs known", comb, CombValues(NAN)),
    ]
    return [(caption, gauge.draw(values).copy()) for caption, gauge, values in states]


def _ladders(even: Callable[[float], int]) -> list[_Entry]:
    ladder = Ladder(even(540), even(290), labels=("10 mph", "20 mph", "30 mph", "60 m"))
    spin = (SpoiledPart("wheelspin", 0.12, 0.4),)
    cut = (SpoiledPart("limiter", 0.62, 0.7),)
    first = RungState("passed", 1.0, 1.42, 0.021)
    second = RungState("passed", 1.0, 3.05, 0.024, spin)
    states = [
        ("before launch", (RungState("waiting"),) * 4),
        (
            "under way",
            (
                first,
                second,
                RungState("filling", 0.74, spoiled=cut),
                RungState("filling", 0.66),
            ),
        ),
        (
            "all passed",
            (
                first,
                second,
                RungState("passed", 1.0, 6.61, 0.03, spin + cut),
                RungState("passed", 1.0, 7.18, 0.02),
            ),
        ),
        (
            "not reached, and why",
            (
                first,
                second,
                RungState("missed", 0.88, reason="not reached"),
                RungState("missed", 0.5, reason="gap in the log"),
            ),
        ),
    ]
    return [(caption, ladder.draw(LadderValues(rungs)).copy()) for caption, rungs in states]


def _gaps(even: Callable[[float], int]) -> list[_Entry]:
    bar = GapBar(even(900), even(140), names=("stock clutch", "drum clutch"))
    states = [
        ("first build ahead", GapValues(0.42, 3.1, 0.03)),
        ("second build ahead", GapValues(-0.77, -8.4, 0.06)),
        ("level within the uncertainty", GapValues(0.03, 0.2, 0.04)),
        ("beyond the scale", GapValues(-1.62, -21.7, 0.08)),
        ("one of them not known", GapValues(NAN)),
    ]
    return [(caption, bar.draw(values).copy()) for caption, values in states]


def _strips(even: Callable[[float], int]) -> list[_Entry]:
    ticks = [(20.0, "20"), (40.0, "40"), (60.0, "60 m")]
    names = ("stock", "drum", "gear 6.0", "gear 6.6")
    strips = [
        Strip(even(590), even(140), length_m=66, names=names[:count], ticks=ticks)
        for count in (1, 2, 4)
    ]
    states = [
        ("one build", strips[0], StripValues((24.0,))),
        ("two builds", strips[1], StripValues((47.5, 41.8))),
        ("four builds", strips[2], StripValues((38.0, 35.1, 44.2, 41.0))),
        ("before launch", strips[1], StripValues((0.0, 0.0))),
        ("at the finish", strips[1], StripValues((66.0, 64.2))),
        ("one not known", strips[1], StripValues((31.0, NAN))),
    ]
    return [(caption, gauge.draw(values).copy()) for caption, gauge, values in states]


def _accels(even: Callable[[float], int]) -> list[_Entry]:
    bar = AccelBar(even(440), even(120), full_scale_mps2=5.0)
    states = [
        ("pulling", AccelValues(3.1, 0.2)),
        ("braking", AccelValues(-1.9, 0.25)),
        ("steady", AccelValues(0.05, 0.2)),
        ("not known", AccelValues(NAN)),
    ]
    return [(caption, bar.draw(values).copy()) for caption, values in states]
