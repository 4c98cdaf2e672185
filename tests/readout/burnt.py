"""Clips with a speed burnt into the picture, and what every frame of them shows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from tests.lane import lane_pictures

Array = npt.NDArray[np.float64]
Luma = npt.NDArray[np.uint8]
PLACES = {"bottom left": (0.04, 0.90), "top right": (0.70, 0.10), "bottom middle": (0.42, 0.92)}
ASIDE = {"top left": (0.03, 0.10), "left": (0.03, 0.55), "bottom right": (0.70, 0.97)}
DATA = Path(__file__).parents[3] / "shared" / "data"
DATA = next((p for p in (DATA, Path("/work/shared/data")) if p.is_dir()), DATA)
LANE = DATA / "lane/lane.mp4"
WAYS = {"lane": LANE, "street": DATA / "street/street.mp4", "traffic": DATA / "traffic/traffic.mp4"}


@dataclass(frozen=True)
class Burnt:
    """How a number is burnt in.

    Attributes
    ----------
    font : path
    cap_share : float
        Height of its digits as a share of the picture's.
    place : str
        One of `PLACES`: left edge and baseline as shares of the picture.
    ground : str
        ``plain``, ``outline``, ``shadow`` or ``plate``.
    text : str
        With ``{}`` where the number stands.
    decimals : int
    comma : bool
        Decimal sign.
    width, pad : int, str
        Characters that the number is padded to, and with what; 0 keeps the left edge still.
    cut_off : bool
        Whether 23 stands for 23 to 24, and not for 22.5 to 23.5.
    rate_hz : float
        Updates a second.
    beside : sequence of (text, place)
        What else stands in the picture; ``{clock}``, ``{altitude}``, ``{distance}`` and ``{top}``
        change, ``{date}`` does not.
    """

    font: Path
    cap_share: float = 0.05
    place: str = "bottom left"
    ground: str = "plate"
    text: str = "{} mph"
    decimals: int = 0
    comma: bool = False
    width: int = 2
    pad: str = " "
    cut_off: bool = False
    rate_hz: float = 1.0
    first_s: float = 0.013
    level: int = 240
    beside: Sequence[tuple[str, str]] = ()

    def written(self, value: float) -> str:
        """The number as it is shown."""
        number = f"{value:.{self.decimals}f}"
        number = number.replace(".", ",") if self.comma else number
        return self.text.format(number.rjust(self.width, self.pad))


@lru_cache(maxsize=64)
def _patch(spec: Burnt, text: str, high: int) -> tuple[Luma, Luma, int, int]:
    """Luma and opacity of a text, and where its left end of the baseline lies in them."""
    face = _face(spec.font, spec.cap_share * high)
    edge = max(1, round(spec.cap_share * high / 12))
    left, top, right, bottom = face.getbbox(text, anchor="ls", stroke_width=edge)
    pad = 3 * edge
    size = (int(right - left) + 2 * pad, int(bottom - top) + 2 * pad)
    at = (pad - left, pad - top)
    fill, alpha = Image.new("L", size, 0), Image.new("L", size, 0)
    over, cover = ImageDraw.Draw(fill), ImageDraw.Draw(alpha)
    if spec.ground == "plate":
        fill.paste(30, (0, 0, *size))
        alpha.paste(150, (0, 0, *size))
    if spec.ground == "outline":
        over.text(at, text, 15, face, anchor="ls", stroke_width=edge, stroke_fill=15)
        cover.text(at, text, 255, face, anchor="ls", stroke_width=edge, stroke_fill=255)
    if spec.ground == "shadow":
        low = (at[0] + edge, at[1] + edge)
        over.text(low, text, 20, face, anchor="ls")
        cover.text(low, text, 170, face, anchor="ls")
    letters = Image.new("L", size, 0)
    ImageDraw.Draw(letters).text(at, text, 255, face, anchor="ls")
    fill.paste(spec.level, (0, 0), letters)
    alpha.paste(255, (0, 0), letters)
    return np.asarray(fill), np.asarray(alpha), *at


@lru_cache(maxsize=64)
def _face(font: Path, cap_px: float) -> ImageFont.FreeTypeFont:
    tall = ImageFont.truetype(str(font), 200).getbbox("8", anchor="ls")
    return ImageFont.truetype(str(font), 200 * cap_px / -tall[1])


def burn(picture: Luma, spec: Burnt, text: str, place: str) -> None:
    """Write a text onto a picture, in place."""
    high, wide = picture.shape
    fill, alpha, x0, y0 = _patch(spec, text, high)
    at = (PLACES | ASIDE)[place]
    x, y = (round(share * side) for share, side in zip(at, (wide, high), strict=True))
    rows = slice(y - y0, y - y0 + len(fill))
    columns = slice(x - x0, x - x0 + fill.shape[1])
    part = picture[rows, columns].astype(np.float64)
    fill, alpha = (a[: part.shape[0], : part.shape[1]] for a in (fill, alpha))
    picture[rows, columns] = np.rint(part + (fill - part) * (alpha / 255.0)).astype(np.uint8)


def shown_at(spec: Burnt, t_s: Array, speed: Callable[[Array], Array]) -> tuple[Array, Array]:
    """Value that each frame shows, and when the readout took it."""
    ticks = np.floor((t_s - spec.first_s) * spec.rate_hz + 1e-9) / spec.rate_hz + spec.first_s
    scale = 10**spec.decimals
    rounded = np.floor if spec.cut_off else np.rint
    return rounded(speed(ticks) * scale) / scale, ticks


@lru_cache(maxsize=1)
def _way(name: str) -> list[Luma]:
    """Upright pictures of a drive, the middle of each as 16:9."""
    if name == "lane":
        return lane_pictures(LANE, 960, 540)
    with av.open(str(WAYS[name])) as box:
        pictures = [frame.to_ndarray(format="gray") for frame in box.decode(video=0)]
    high, wide = pictures[0].shape
    left, part = (wide - high * 16 // 9) // 2, high * 16 // 9
    return [np.ascontiguousarray(p[:, left : left + part]) for p in pictures]


def background(size: tuple[int, int], noise: float, seed: int, way: str = "lane") -> Iterator[Luma]:
    """Real pictures of a drive forward and backward, or coarse noise that scrolls, with grain."""
    import cv2

    rng = np.random.default_rng(seed)
    wide, high = size
    if WAYS[way].is_file():
        stored = _way(way)
    else:
        field = cv2.GaussianBlur(rng.uniform(0, 255, (540, 2400)).astype(np.uint8), (0, 0), 3)
        field = cv2.normalize(field, None, 20, 200, cv2.NORM_MINMAX)
        stored = [np.ascontiguousarray(field[:, 6 * k : 6 * k + 960]) for k in range(220)]
    grain = rng.normal(0, noise, (8 if high < 1500 else 2, high, wide)).astype(np.float32)
    k = int(rng.integers(0, 100))
    while True:
        picture = cv2.resize(stored[_there_and_back(k, len(stored))], size)
        yield np.clip(picture + np.roll(grain[k % len(grain)], k, axis=1), 0, 255).astype(np.uint8)
        k += 1


def _there_and_back(k: int, count: int) -> int:
    k %= 2 * count - 2
    return k if k < count else 2 * count - 2 - k


def write_burnt(
    path: Path,
    spec: Burnt,
    speed: Callable[[Array], Array],
    *,
    size: tuple[int, int] = (1280, 720),
    seconds: float = 12.0,
    fps: Fraction = Fraction(30),
    crf: int = 23,
    pictures: Iterator[Luma] | None = None,
    key_frame_every: int = 30,
    preset: str = "veryfast",
    seed: int = 1,
    way: str = "lane",
) -> tuple[Array, Array, Array]:
    """Write a clip; give frame times, the value that each frame shows, and when it was taken."""
    t_s = np.arange(int(seconds * fps)) / float(fps)
    values, ticks = shown_at(spec, t_s, speed)
    source = background(size, 2.0, seed, way) if pictures is None else pictures
    with av.open(str(path), "w") as box:
        stream = box.add_stream("libx264", rate=fps)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": str(crf), "preset": preset, "g": str(key_frame_every)}
        for k, picture in zip(range(len(t_s)), source, strict=False):
            burn(picture, spec, spec.written(values[k]), spec.place)
            for text, place in spec.beside:
                clock = f"10:{int(t_s[k] // 60):02d}:{int(t_s[k] % 60):02d}"
                gone_m = float(np.sum(speed(t_s[: k + 1]))) / float(fps) * 0.44704
                said = {
                    "clock": clock,
                    "altitude": f"{112 + int(3 * np.sin(ticks[k]))}",
                    "distance": f"{gone_m:.0f}",
                    "top": f"{np.max(values[: k + 1]):.0f}",
                    "date": "2026-05-17",
                }
                burn(picture, spec, text.format(**said), place)
            frame = av.VideoFrame.from_ndarray(picture, format="gray").reformat(format="yuv420p")
            frame.pts = k
            box.mux(stream.encode(frame))
        box.mux(stream.encode())
    return t_s, values, ticks


def launch_and_stop(t_s: Array, *, top: float = 31.0, start_s: float = 2.0) -> Array:
    """A speed that rises from rest to about `top` and falls to rest again, 12 s in all."""
    gone = np.clip(t_s - start_s, 0, None)
    rise = top * (1 - np.exp(-gone / 1.8))
    return np.asarray(rise * np.clip((start_s + 9.0 - t_s) / 3.0, 0, 1))
