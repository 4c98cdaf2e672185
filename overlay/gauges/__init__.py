"""Gauges: pure functions of values and size that give small RGBA pictures.

A gauge is built once for a size and its fixed settings, draws its static layers then, and gives a
picture for each set of values. The picture is straight-alpha RGBA in a buffer that the next call
draws over.
"""

from overlay.gauges.canvas import Rgba
from overlay.gauges.comb import Comb
from overlay.gauges.gapbar import GapBar
from overlay.gauges.ladder import Ladder
from overlay.gauges.palette import BUILD_HUES, OKABE_ITO, Color, build_hue, contrast, hex_of
from overlay.gauges.readback import ReadBand, read_ribbon
from overlay.gauges.ribbon import Ribbon
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

__all__ = [
    "BUILD_HUES",
    "OKABE_ITO",
    "AccelValues",
    "Color",
    "Comb",
    "CombValues",
    "GapBar",
    "GapValues",
    "Ladder",
    "LadderValues",
    "ReadBand",
    "Rgba",
    "Ribbon",
    "RibbonValues",
    "RungState",
    "SpoiledPart",
    "StripValues",
    "build_hue",
    "contrast",
    "hex_of",
    "read_ribbon",
]
