"""Hiding a part of the picture, such as a wrong readout burnt in by the camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from overlay.errors import UsageError

STYLES = ("blur", "plate")
_CELLS_HIGH = 3  # a line of digits needs five rows or more to be told apart
_PLATE = "0x1b1d21"


@dataclass(frozen=True)
class Cover:
    """A box of the upright picture that is hidden.

    Attributes
    ----------
    x, y, width, height : int
        Pixels; widened to even numbers where needed.
    style : str
        ``blur`` keeps the tones of the scene, at most three cells high, so that no digit
        survives; ``plate`` is one dark colour.
    """

    x: int
    y: int
    width: int
    height: int
    style: str = "blur"

    def __post_init__(self) -> None:
        if self.style not in STYLES:
            raise UsageError(f"unknown cover {self.style!r}: use one of {', '.join(STYLES)}")
        if self.width <= 0 or self.height <= 0 or self.x < 0 or self.y < 0:
            raise UsageError(
                f"a cover of {self.width}×{self.height} pixels at {self.x}, {self.y}: "
                "name a box inside the picture"
            )


def cover_chain(
    covers: Sequence[Cover], base: str, result: str, size: tuple[int, int]
) -> list[str]:
    """Filters that lead ``[base]`` to ``[result]`` with each cover applied.

    Raises
    ------
    UsageError
        If a cover reaches beyond a picture of `size` (width, height).
    """
    if not covers:
        return [f"[{base}]null[{result}]"]
    pieces, last = [], base
    for index, cover in enumerate(covers):
        made = result if index == len(covers) - 1 else f"{base}c{index}"
        left, top = cover.x // 2 * 2, cover.y // 2 * 2
        right, bottom = -(-(cover.x + cover.width) // 2) * 2, -(-(cover.y + cover.height) // 2) * 2
        if right > size[0] or bottom > size[1]:
            raise UsageError(
                f"a cover reaches to {right}, {bottom} but the picture is {size[0]}×{size[1]}"
            )
        width, height = right - left, bottom - top
        if cover.style == "plate":
            pieces.append(
                f"[{last}]drawbox=x={left}:y={top}:w={width}:h={height}:color={_PLATE}:t=fill"
                f"[{made}]"
            )
        else:
            pieces += _blurred(last, made, index, (left, top, width, height))
        last = made
    return pieces


def _blurred(last: str, made: str, index: int, box: tuple[int, int, int, int]) -> list[str]:
    left, top, width, height = box
    rows = min(_CELLS_HIGH, max(1, height // 8))
    columns = max(2, round(width / height * rows))
    # Colour planes are half as large, so cells are counted in them.
    return [
        f"[{last}]split[k{index}][u{index}]",
        f"[u{index}]crop={width}:{height}:{left}:{top},"
        f"scale={2 * columns}:{2 * rows}:flags=area,scale={columns}:{rows}:flags=area,"
        f"scale={width}:{height}:flags=bicubic[b{index}]",
        f"[k{index}][b{index}]overlay=x={left}:y={top}:eval=init:format=auto[{made}]",
    ]
