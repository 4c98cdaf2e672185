"""Hiding a part of the picture, such as a wrong readout burnt in by the camera."""

from __future__ import annotations

from collections.abc import Sequence

from overlay.errors import UsageError

Box = tuple[int, int, int, int]  # x, y, width, height of the upright picture, pixels
_CELL_PX = 16
_PLATE = "0x1b1d21"


def cover_chain(covers: Sequence[Box], base: str, result: str, size: tuple[int, int]) -> list[str]:
    """Filters that lead ``[base]`` to ``[result]`` with each box hidden.

    A box, widened to even numbers, is filled from the rows above and below it, so that nothing of
    what was inside is left; one as high as the picture gets one dark colour.

    Raises
    ------
    UsageError
        If a box is empty or reaches beyond a picture of `size` (width, height).
    """
    if not covers:
        return [f"[{base}]null[{result}]"]
    pieces, last = [], base
    for index, (x, y, wide, high) in enumerate(covers):
        if wide <= 0 or high <= 0 or x < 0 or y < 0:
            raise UsageError(
                f"a cover of {wide}×{high} pixels at {x}, {y}: name a box inside the picture"
            )
        made = result if index == len(covers) - 1 else f"{base}c{index}"
        left, top = x // 2 * 2, y // 2 * 2
        right, bottom = -(-(x + wide) // 2) * 2, -(-(y + high) // 2) * 2
        if right > size[0] or bottom > size[1]:
            raise UsageError(
                f"a cover reaches to {right}, {bottom} but the picture is {size[0]}×{size[1]}"
            )
        width, height = right - left, bottom - top
        if height > size[1] - 2:
            pieces.append(
                f"[{last}]drawbox=x={left}:y={top}:w={width}:h={height}:color={_PLATE}:t=fill"
                f"[{made}]"
            )
        else:
            pieces += _blended(last, made, index, (left, top, width, height), size[1])
        last = made
    return pieces


def _blended(last: str, made: str, index: int, box: Box, high: int) -> list[str]:
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
