"""How a coded picture is turned, mirrored and stretched to be seen upright."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import numpy.typing as npt

from overlay.errors import UsageError

if TYPE_CHECKING:
    from av import VideoFrame

Box = tuple[int, int, int, int]
_Scalar = TypeVar("_Scalar", bound=np.generic)


@dataclass(frozen=True)
class Upright:
    """From coded to displayed pixels."""

    # Size in pixels as decoded.
    coded_width: int
    coded_height: int
    rotation_deg: int = 0  # clockwise turn a player applies: 0, 90, 180 or 270
    is_mirrored: bool = False  # whether left and right are swapped before that turn
    coded_aspect: Fraction = Fraction(1)  # width over height of one coded pixel

    @property
    def is_sideways(self) -> bool:
        """Whether width and height change places."""
        return self.rotation_deg in (90, 270)

    @property
    def width(self) -> int:
        """Displayed width in pixels, before pixel aspect."""
        return self.coded_height if self.is_sideways else self.coded_width

    @property
    def height(self) -> int:
        """Displayed height in pixels."""
        return self.coded_width if self.is_sideways else self.coded_height

    @property
    def pixel_aspect(self) -> Fraction:
        """Width over height of one displayed pixel."""
        return 1 / self.coded_aspect if self.is_sideways else self.coded_aspect

    def coded_small_size(self, width: int) -> tuple[int, int]:
        """Coded width and height to shrink to, so that the upright picture is `width` wide.

        Square pixels come out; a picture narrower than `width` is not enlarged.

        Examples
        --------
        >>> Upright(1920, 1080).coded_small_size(320)
        (320, 180)
        >>> Upright(1920, 1080, rotation_deg=90).coded_small_size(270)
        (480, 270)
        """
        small_width = min(width, self.width)
        shown = Fraction(self.height, self.width) / self.pixel_aspect
        small_height = max(1, round(small_width * shown))
        return (small_height, small_width) if self.is_sideways else (small_width, small_height)

    def applied(self, coded: npt.NDArray[_Scalar]) -> npt.NDArray[_Scalar]:
        """The upright picture, contiguous, of a coded one, shape (h, w) or (h, w, channels)."""
        seen = coded[:, ::-1] if self.is_mirrored else coded
        return np.ascontiguousarray(np.rot90(seen, -(self.rotation_deg // 90)))

    def coded_box(self, box: Box) -> Box:
        """Where a displayed box (x, y, width, height) lies in the coded picture.

        Raises
        ------
        UsageError
            If it is empty or reaches outside the picture.

        Examples
        --------
        >>> Upright(1920, 1080, rotation_deg=90).coded_box((0, 0, 10, 20))
        (0, 1070, 20, 10)
        """
        x, y, wide, high = box
        if wide < 1 or high < 1 or min(x, y) < 0 or x + wide > self.width or y + high > self.height:
            raise UsageError(
                f"box {box} is not inside the picture of {self.width}x{self.height}: "
                "give x, y, width, height in displayed pixels"
            )
        if self.rotation_deg == 90:
            x, y, wide, high = y, self.coded_height - x - wide, high, wide
        elif self.rotation_deg == 180:
            x, y = self.coded_width - x - wide, self.coded_height - y - high
        elif self.rotation_deg == 270:
            x, y, wide, high = self.coded_width - y - high, x, high, wide
        if self.is_mirrored:
            x = self.coded_width - x - wide
        return x, y, wide, high


def upright_of(frame: VideoFrame, coded_aspect: Fraction | None) -> Upright:
    """How the container asks to show a decoded frame.

    Parameters
    ----------
    frame : VideoFrame
        A decoded frame with its side data.
    coded_aspect : Fraction or None
        Pixel aspect of the stream; None or 0 when unknown, which means square.
    """
    rotation_deg, is_mirrored = _turn(frame)
    return Upright(
        coded_width=frame.width,
        coded_height=frame.height,
        rotation_deg=rotation_deg,
        is_mirrored=is_mirrored,
        coded_aspect=coded_aspect or Fraction(1),
    )


def _turn(frame: Any) -> tuple[int, bool]:
    from av.sidedata.sidedata import Type

    matrix = frame.side_data.get(Type.DISPLAYMATRIX)
    if matrix is None:
        return 0, False
    # ISO/IEC 14496-12 section 6.2.2: (x y 1) times ((a b u) (c d v) (x y w)), 16.16 fixed point.
    a, b, _, c, d, *_ = struct.unpack("=9i", bytes(matrix)[:36])
    is_mirrored = a * d - b * c < 0
    if is_mirrored:
        a, b = -a, -b
    quarter_turns = round(math.degrees(math.atan2(b, a)) / 90)
    return quarter_turns % 4 * 90, is_mirrored
