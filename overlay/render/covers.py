"""Hiding a part of the picture, such as a wrong readout burnt in by the camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from overlay.errors import UsageError

STYLES = ("blend", "plate")
_CELL_PX = 16
_PLATE = "0x1b1d21"


@dataclass(frozen=True)
class Cover:
    """A box of the upright picture that is hidden.

    Attributes
    ----------
    x, y, width, height : int
        Pixels; widened to even numbers where needed.
    style : str
        ``blend`` fills the box from the rows above and below it, so that nothing of what was
        inside is left; ``plate`` is one dark colour.
    """

    x: int
    y: int
    width: int
    height: int
    style: str = "blend"

    def __post_init__(self) -> None:
        if self.style not in STYLES:
            raise UsageError(f"unknown cover {self.style!r}: use one of {', '.join(STYLES)}")
        if self.width <= 0 or self.height <= 0 or self.x < 0 or self.y < 0:
            raise UsageError(
                f"a cover of {self.width}×{self.height} pixels at {self.x}, {self.y}: "
                "name a box inside the picture"
            )


def as_cover(box: Cover | tuple[int, int, int, int]) -> Cover:
    """A cover as it is, or one of the default style for a box (x, y, width, height)."""
    return box if isinstance(box, Cover) else Cover(*box)


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
        if cover.style == "plate" or height > size[1] - 2:
            pieces.append(
                f"[{last}]drawbox=x={left}:y={top}:w={width}:h={height}:color={_PLATE}:t=fill"
                f"[{made}]"
            )
        else:
            pieces += _blended(last, made, index, (left, top, width, height), size[1])
        last = made
    return pieces


def _blended(
    last: str, made: str, index: int, box: tuple[int, int, int, int], high: int
) -> list[str]:
    """Fill a box with a soft passage from the rows just above it to those just below it."""
    left, top, width, height = box
    rims = [row for row in (top - 2, top + height) if 0 <= row <= high - 2]
    names = [f"r{index}x{count}" for count, _ in enumerate(rims)]
    pieces = [f"[{last}]split={len(rims) + 1}[k{index}]" + "".join(f"[{n}]" for n in names)]
    pieces += [
        f"[{name}]crop={width}:2:{left}:{row}[{name}c]"
        for name, row in zip(names, rims, strict=True)
    ]
    joined = "".join(f"[{name}c]" for name in names)
    joined += f"vstack={len(rims)}," if len(rims) > 1 else ""
    cells = max(2, width // max(_CELL_PX, height // 2) // 2 * 2)
    pieces.append(
        f"{joined}scale={cells}:2:flags=area,scale={width}:{height}:flags=bilinear,"
        f"gblur=sigma={height / 4:.2f}:steps=2[b{index}]"
    )
    pieces.append(f"[k{index}][b{index}]overlay=x={left}:y={top}:eval=init:format=auto[{made}]")
    return pieces
