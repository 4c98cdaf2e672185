"""The ribbon's length is read back from finished pixels, after a real encoder."""

import io
import math
from collections.abc import Iterator

import av
import numpy as np
import numpy.typing as npt
import pytest

from overlay.gauges.contact import over
from overlay.gauges.palette import BUILD_HUES, Color, contrast
from overlay.gauges.readback import ReadBand, read_ribbon
from overlay.gauges.ribbon import Ribbon, RibbonValues

FULL_MPS = 20.0
TOLERANCE = 0.005  # of full scale, the accuracy promised
Rgb = npt.NDArray[np.uint8]


def grounds(kind: str, width: int, height: int, rng: np.random.Generator) -> Iterator[Rgb]:
    """Endless footage: snow, night, or fine detail that moves from frame to frame."""
    y, x = np.mgrid[0:height, 0:width]
    frame = 0
    while True:
        if kind == "snow":
            level = np.full((height, width), 255.0)
        elif kind == "night":
            level = np.zeros((height, width))
        else:
            level = 128 + 90 * np.sin((x + 5 * frame) * 0.9) * np.sin(y * 0.7)
            level = level + rng.normal(0, 30, level.shape)
        yield np.repeat(np.clip(level, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
        frame += 1


def encode_and_decode(
    pictures: list[Rgb], *, crf: int, preset: str = "medium"
) -> list[npt.NDArray[np.uint8]]:
    """H.264 in memory; luma planes of the decoded frames."""
    height, width = pictures[0].shape[:2]
    file = io.BytesIO()
    with av.open(file, "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.options = {"crf": str(crf), "preset": preset, "threads": "1"}
        for picture in pictures:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        container.mux(stream.encode())
    file.seek(0)
    with av.open(file) as container:
        return [
            np.asarray(frame.to_ndarray(format="yuv420p")[:height])
            for frame in container.decode(video=0)
        ]


def errors_after_encoding(
    ribbon: Ribbon, values: list[RibbonValues], kind: str, crf: int, rng: np.random.Generator
) -> list[float]:
    """Read less meant, as a fraction of full scale, for each frame."""
    width, height = ribbon.size
    at = (16, 20)
    footage = grounds(kind, width + 32, 2 * ((height + 40) // 2), rng)
    pictures = []
    for value in values:
        picture = next(footage)
        over(picture, ribbon.draw(value), *at)
        pictures.append(picture)
    read = [
        read_ribbon(ribbon.band.cut(luma, *at), ribbon.band)
        for luma in encode_and_decode(pictures, crf=crf)
    ]
    meant = [value.speed_mps / FULL_MPS for value in values]
    return [got - want for got, want in zip(read, meant, strict=True)]


def launch(count: int) -> list[RibbonValues]:
    """From rest to full scale, with a wide fringe."""
    speeds = np.concatenate([[0.0, 0.0], np.linspace(0.0, FULL_MPS, count - 2)])
    return [RibbonValues(float(v), 0.05 + 0.02 * i) for i, v in enumerate(speeds)]


@pytest.mark.parametrize("kind", ["snow", "night", "busy"])
def test_read_ribbon__after_h264_at_publishing_quality(kind: str, rng: np.random.Generator) -> None:
    ribbon = Ribbon(1036, 168, full_scale_mps=FULL_MPS, ticks=[(8.94, "20")])
    errors = errors_after_encoding(ribbon, launch(24), kind, 23, rng)
    assert np.max(np.abs(errors)) < TOLERANCE


@pytest.mark.parametrize("hue", BUILD_HUES)
def test_read_ribbon__every_build_hue_in_a_small_picture(
    hue: Color, rng: np.random.Generator
) -> None:
    ribbon = Ribbon(416, 74, full_scale_mps=FULL_MPS, ticks=[(8.94, "20")], hue=hue)
    errors = errors_after_encoding(ribbon, launch(16), "busy", 23, rng)
    assert np.max(np.abs(errors)) < TOLERANCE


def test_read_ribbon__no_data_reads_as_nan_after_h264(rng: np.random.Generator) -> None:
    ribbon = Ribbon(640, 120, full_scale_mps=FULL_MPS)
    values = [RibbonValues(5.0), RibbonValues(math.nan), RibbonValues(math.nan), RibbonValues(5.0)]
    errors = errors_after_encoding(ribbon, values, "busy", 23, rng)
    assert np.isnan(errors).tolist() == [False, True, True, False]


def draw_luma(ribbon: Ribbon, values: RibbonValues) -> npt.NDArray[np.float64]:
    rgb = ribbon.draw(values)[..., :3].astype(np.float64)
    return 16 + 219 / 255 * (rgb @ np.array([0.2126, 0.7152, 0.0722]))


def crop_of(ribbon: Ribbon, values: RibbonValues) -> npt.NDArray[np.float64]:
    left, top, right, bottom = ribbon.band.crop
    return draw_luma(ribbon, values)[top:bottom, left:right]


def test_read_ribbon__drawn_pixels_give_the_exact_fraction() -> None:
    ribbon = Ribbon(900, 150, full_scale_mps=FULL_MPS)
    for speed in (0.0, 0.013, 3.3, 9.999, 10.0, 17.77, 19.99, 20.0):
        got = read_ribbon(crop_of(ribbon, RibbonValues(speed, 0.3)), ribbon.band)
        assert got == pytest.approx(speed / FULL_MPS, abs=2e-4)


def test_read_ribbon__resampled_pictures_give_the_same_fraction() -> None:
    cv2 = pytest.importorskip("cv2")
    ribbon = Ribbon(900, 150, full_scale_mps=FULL_MPS)
    crop = crop_of(ribbon, RibbonValues(12.3, 0.1)).astype(np.float32)
    for scale in (0.4, 0.75, 1.5):
        size = (round(crop.shape[1] * scale), max(3, round(crop.shape[0] * scale)))
        small = cv2.resize(crop, size, interpolation=cv2.INTER_AREA)
        assert read_ribbon(small, ribbon.band) == pytest.approx(12.3 / FULL_MPS, abs=TOLERANCE)


def test_read_ribbon__fringe_does_not_move_it() -> None:
    ribbon = Ribbon(900, 150, full_scale_mps=FULL_MPS)
    plain = read_ribbon(crop_of(ribbon, RibbonValues(7.7)), ribbon.band)
    dressed = read_ribbon(crop_of(ribbon, RibbonValues(7.7, 2.0)), ribbon.band)
    assert plain == dressed


def test_read_ribbon__other_pictures_are_no_ribbon(rng: np.random.Generator) -> None:
    band = Ribbon(900, 150, full_scale_mps=FULL_MPS).band
    left, top, right, bottom = band.crop
    shape = (bottom - top, right - left)
    assert math.isnan(read_ribbon(rng.integers(0, 256, shape), band))
    assert math.isnan(read_ribbon(np.full(shape, 90), band))
    assert math.isnan(read_ribbon(np.zeros((0, 0)), band))
    stripes = np.tile(np.where(np.arange(shape[1]) % 40 < 20, 200, 40), (shape[0], 1))
    stripes[:, :20], stripes[:, -20:] = 200, 40
    assert math.isnan(read_ribbon(stripes, band))


def test_read_band__cut_takes_the_gauge_place_into_account() -> None:
    band = ReadBand(20, 100, 5, 9, 10.0, 6, 80.0)
    luma = np.arange(200 * 200, dtype=np.int64).reshape(200, 200).astype(np.uint8)
    assert np.array_equal(band.cut(luma, 30, 40), luma[45:49, 44:136])


def grey_contrast(light: float, dark: float) -> float:
    """WCAG contrast of two limited-range lumas taken as greys."""
    return contrast(*((255 * (np.clip(v, 16, 235) - 16) / 219,) * 3 for v in (light, dark)))


@pytest.mark.parametrize("kind", ["snow", "night", "busy"])
@pytest.mark.parametrize("size", [(1036, 168), (448, 84)])
def test_finished_frames__text_contrast(
    kind: str, size: tuple[int, int], rng: np.random.Generator
) -> None:
    """WCAG 2.2, 1.4.3: 4.5:1, for big digits and for the smallest text, after encoding.

    Ink is the brightest twentieth of the text's box, ground its median.
    """
    width, height = size
    ribbon = Ribbon(width, height, full_scale_mps=FULL_MPS, ticks=[(10.0, "1234567890")])
    footage = grounds(kind, width + 32, 2 * ((height + 40) // 2), rng)
    pictures = []
    for _ in range(8):
        picture = next(footage)
        over(picture, ribbon.draw(RibbonValues(0.0, 0.1)), 16, 20)
        pictures.append(picture)
    luma = encode_and_decode(pictures, crf=23)[-1][20 : 20 + height, 16 : 16 + width]
    top, bottom = round(0.085 * height), round(0.42 * height)
    left, right = round(0.2 * height), round(0.9 * height)
    labels = luma[round(0.77 * height) : round(0.92 * height), width // 2 - 40 : width // 2 + 40]
    for box in (luma[top:bottom, left:right], labels):
        ink = float(np.percentile(box, 95))
        assert grey_contrast(ink, float(np.percentile(box, 50))) >= 4.5
