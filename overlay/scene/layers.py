"""What is laid over the picture: small pictures that depend on footage time alone."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from overlay.errors import TimetrueError, UsageError
from overlay.timebase import FloatArray

Picture = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Layer:
    """A part of the picture that shows something drawn for each footage time."""

    # Left and top edge in pixels of the upright picture as stored (before pixel aspect), >= 0 and
    # even, since colour is stored for squares of two by two pixels.
    x: int
    y: int
    # Size in pixels, > 0; the layer lies wholly inside the picture.
    width: int
    height: int
    # Takes a footage time in seconds and gives uint8 RGBA, shape (height, width, 4), alpha not
    # multiplied in. It is called from a thread of its own with rising times; the array may be
    # reused by the next call.
    draw: Callable[[float], Picture]
    # Takes a footage time and gives something hashable; two times of equal key look the same, so
    # that nothing is drawn or sent again. None: every time looks different.
    key: Callable[[float], Hashable] | None = None
    kind: str = ""  # of the gauge that it shows, if it shows one

    @property
    def box(self) -> tuple[int, int, int, int]:
        """Place and size: x, y, w, h."""
        return self.x, self.y, self.width, self.height

    def __post_init__(self) -> None:
        if self.width <= 0 or self.height <= 0:
            raise UsageError(f"a layer of {self.width}×{self.height} pixels: both must be positive")
        if self.x < 0 or self.y < 0 or self.x % 2 or self.y % 2:
            raise UsageError(f"a layer at {self.x}, {self.y}: both must be even and not negative")


def require_inside(layers: Sequence[Layer], width: int, height: int) -> None:
    """Refuse layers that reach beyond a picture of `width` by `height` pixels.

    Raises
    ------
    UsageError
        If one does.
    """
    for layer in layers:
        right, bottom = layer.x + layer.width, layer.y + layer.height
        if right > width or bottom > height:
            raise UsageError(
                f"a layer reaches to {right}, {bottom} but the picture is {width}×{height} pixels: "
                "choose a smaller layout"
            )


def still_layer(x: int, y: int, picture: Picture) -> Layer:
    """A layer that always shows the same RGBA picture, shape (height, width, 4)."""
    return Layer(x, y, picture.shape[1], picture.shape[0], lambda _: picture, lambda _: 0)


def changes(layer: Layer, times_s: FloatArray) -> Iterator[tuple[int, Picture]]:
    """Where the layer changes: index into `times_s` and the picture from there on.

    Parameters
    ----------
    times_s : ndarray of float, shape (n,)
        Footage times in seconds, rising.

    Yields
    ------
    (int, ndarray of uint8, shape (height, width, 4))
        The first index is 0.

    Raises
    ------
    TimetrueError
        If the layer draws something of another shape or type.

    Examples
    --------
    >>> clear = np.zeros((2, 2, 4), np.uint8)
    >>> layer = Layer(0, 0, 2, 2, lambda t: clear, key=lambda t: t >= 1.0)
    >>> [index for index, _ in changes(layer, np.array([0.0, 0.5, 1.0, 1.5]))]
    [0, 2]
    """
    shape = (layer.height, layer.width, 4)
    last: object = None
    last_s: float | None = None
    for index, time_s in enumerate(times_s.tolist()):
        if time_s == last_s:
            continue
        last_s = time_s
        if layer.key is not None:
            key = layer.key(time_s)
            if index and key == last:
                continue
            last = key
        picture = layer.draw(time_s)
        if picture.shape != shape or picture.dtype != np.uint8:
            raise TimetrueError(
                f"a layer drew {picture.dtype} of shape {picture.shape} where uint8 of {shape} "
                f"was due, at {time_s:.3f} s"
            )
        yield index, picture
