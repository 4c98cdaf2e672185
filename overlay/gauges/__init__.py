"""Gauges: pure functions of values and size that give small RGBA pictures.

A gauge is built once for a size and its fixed settings, draws its static layers then, and gives a
picture for each set of values. The picture is straight-alpha RGBA in a buffer that the next call
draws over.
"""

from overlay.gauges.accel import AccelBar
from overlay.gauges.canvas import Rgba
from overlay.gauges.comb import Comb
from overlay.gauges.contact import contact_sheet, over
from overlay.gauges.gapbar import GapBar
from overlay.gauges.ladder import Ladder
from overlay.gauges.layout import (
    GAUGE_KINDS,
    PARTS,
    GaugeKind,
    Layout,
    Part,
    Placement,
    layout_for,
    load_layout,
)
from overlay.gauges.palette import BUILD_HUES, OKABE_ITO, Color, build_hue, contrast, hex_of
from overlay.gauges.readback import ReadBand, read_ribbon
from overlay.gauges.ribbon import Ribbon, band_for
from overlay.gauges.scales import (
    distance_ticks,
    gap_scale,
    rpm_scale,
    scale_for,
    speed_scale,
    speed_ticks,
)
from overlay.gauges.strip import Strip
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
    "GAUGE_KINDS",
    "OKABE_ITO",
    "PARTS",
    "AccelBar",
    "AccelValues",
    "Color",
    "Comb",
    "CombValues",
    "GapBar",
    "GapValues",
    "GaugeKind",
    "Ladder",
    "LadderValues",
    "Layout",
    "Part",
    "Placement",
    "ReadBand",
    "Rgba",
    "Ribbon",
    "RibbonValues",
    "RungState",
    "SpoiledPart",
    "Strip",
    "StripValues",
    "band_for",
    "build_hue",
    "contact_sheet",
    "contrast",
    "distance_ticks",
    "gap_scale",
    "hex_of",
    "layout_for",
    "load_layout",
    "over",
    "read_ribbon",
    "rpm_scale",
    "scale_for",
    "speed_scale",
    "speed_ticks",
]
