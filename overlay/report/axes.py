"""What all plots share: a figure without a window, the look of its axes, and its file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from overlay.files import written_whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_IN, DPI = (8.0, 4.5), 160


def new_figure(size_in: tuple[float, float] = SIZE_IN, dpi: int = DPI) -> Figure:
    """An empty figure; the library, which takes half a second, is loaded only here."""
    from matplotlib.figure import Figure

    return Figure(figsize=size_in, dpi=dpi, layout="constrained")


def dress(
    axes: Axes, title: str, up: str, along: str = "", *, lines: Literal["both", "y"] = "both"
) -> None:
    """Title, labels, quiet grid lines and no frame above and to the right."""
    axes.set_title(title, loc="left", fontsize=11)
    axes.set_xlabel(along)
    axes.set_ylabel(up)
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, axis=lines, lw=0.4, color="0.88")


def saved(figure: Figure, target: Path) -> Path:
    """Write it, whole or not at all; the format is that of the suffix."""
    with written_whole(target) as part:
        figure.savefig(part)
    return target
