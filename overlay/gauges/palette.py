"""Colours: the Okabe–Ito set, one hue a build, and the arithmetic of contrast.

The eight hues are those of M. Okabe and K. Ito, "Color Universal Design" (2002, revised 2008),
chosen so that viewers with the common kinds of colour blindness tell them apart. Contrast is
that of WCAG 2.2: relative luminance from sRGB, ratio (L1 + 0.05) / (L2 + 0.05).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from overlay.errors import UsageError

if TYPE_CHECKING:
    from overlay.sheet import Build

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]


class Color(NamedTuple):
    """A colour in sRGB code values, each 0 to 255."""

    r: int
    g: int
    b: int


BLACK = Color(0, 0, 0)
ORANGE = Color(230, 159, 0)
SKY_BLUE = Color(86, 180, 233)
BLUISH_GREEN = Color(0, 158, 115)
YELLOW = Color(240, 228, 66)
VERMILLION = Color(213, 94, 0)
REDDISH_PURPLE = Color(204, 121, 167)

# Yellow and vermillion are kept for wheelspin and limiter; black and blue are lost on the plate.
BUILD_HUES: tuple[Color, ...] = (SKY_BLUE, ORANGE, BLUISH_GREEN, REDDISH_PURPLE)
SPIN = YELLOW
CUT = VERMILLION

GROUND = Color(13, 16, 21)
INK = Color(244, 246, 248)
QUIET_INK = Color(200, 206, 213)
TRACK = Color(56, 64, 76)
TOOTH = Color(78, 86, 99)
HAIRLINE = Color(92, 100, 112)


def build_hue(index: int) -> Color:
    """The hue of the build at `index` (0 is the first of the day sheet).

    Raises
    ------
    UsageError
        If there are more builds than hues that stay apart on the plate.

    Examples
    --------
    >>> build_hue(0)
    Color(r=86, g=180, b=233)
    """
    if not 0 <= index < len(BUILD_HUES):
        raise UsageError(
            f"build number {index + 1} has no hue of its own: show at most "
            f"{len(BUILD_HUES)} builds in one picture"
        )
    return BUILD_HUES[index]


def hue_among(builds: Sequence[Build], name: str) -> Color:
    """The hue of a build of a day sheet; a fifth has that of the first again."""
    return BUILD_HUES[[build.name for build in builds].index(name) % len(BUILD_HUES)]


def hex_of(color: Color) -> str:
    """``#rrggbb``, for plots and tables.

    Examples
    --------
    >>> hex_of(ORANGE)
    '#e69f00'
    """
    return f"#{color.r:02x}{color.g:02x}{color.b:02x}"


def mix(first: Color, second: Color, share: float) -> Color:
    """`first` with `share` (0 to 1) of `second`, in code values as video mixes them."""
    parts = (round(a + share * (b - a)) for a, b in zip(first, second, strict=True))
    return Color(*parts)


def relative_luminance(rgb: npt.ArrayLike) -> FloatArray:
    """Relative luminance of sRGB code values (WCAG 2.2), 0 to 1.

    Parameters
    ----------
    rgb : array_like, shape (..., 3)
        Code values 0 to 255.
    """
    import numpy as np  # the desk's first page has hues to name, and no use for it

    code = np.asarray(rgb, dtype=np.float64) / 255.0
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    luminance: FloatArray = linear @ np.array([0.2126, 0.7152, 0.0722])
    return luminance


def contrast(first: npt.ArrayLike, second: npt.ArrayLike) -> float:
    """Contrast ratio of two colours (WCAG 2.2), 1 to 21.

    Examples
    --------
    >>> round(contrast((0, 0, 0), (255, 255, 255)), 2)
    21.0
    """
    a, b = float(relative_luminance(first)), float(relative_luminance(second))
    return (max(a, b) + 0.05) / (min(a, b) + 0.05)


def luma_709(color: Color) -> float:
    """Luma of a colour as 8-bit limited-range BT.709 video carries it, 16 to 235."""
    weighted = 0.2126 * color.r + 0.7152 * color.g + 0.0722 * color.b
    return 16.0 + 219.0 * weighted / 255.0
