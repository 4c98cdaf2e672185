"""Type: whole glyphs, equal advances."""

import numpy as np
import numpy.typing as npt
import pytest
from PIL import ImageFont

from overlay.gauges.fonts import font_path
from overlay.gauges.palette import GROUND, INK
from overlay.gauges.type import ADVANCE_SHARE, ALL, CAP_SHARE, Face, Tiles, face

Picture = npt.NDArray[np.float64]


@pytest.mark.parametrize("bold", [False, True])
def test_font_path__metrics_are_those_written_down(bold: bool) -> None:
    # Outside the project: the outlines in the font file itself, at 1000 units an em
    font = ImageFont.truetype(str(font_path(bold=bold)), 1000)
    assert font.getlength("0") / 1000 == pytest.approx(ADVANCE_SHARE)
    assert -font.getbbox("1", anchor="ls")[1] / 1000 == pytest.approx(CAP_SHARE, abs=0.002)


@pytest.mark.parametrize("cap_px", [5.0, 9.5, 17.0, 26.0, 61.0, 130.0])
@pytest.mark.parametrize("bold", [False, True])
def test_face__no_glyph_is_clipped(cap_px: float, bold: bool) -> None:
    small = Face(cap_px, bold=bold)
    for character in ALL:
        mask = small.mask(character)
        assert mask.shape == (small.rise_px + small.fall_px, small.advance(character))
        big = ImageFont.truetype(str(font_path(bold=bold)), cap_px / CAP_SHARE)
        whole = np.asarray(big.getmask(character, mode="L"), dtype=float).sum() / 255
        # All ink that the font has is in the mask: nothing is lost at its edges.
        assert mask.sum() == pytest.approx(whole, rel=0.06, abs=1.5), character


def test_face__digits_have_one_advance() -> None:
    assert len({face(20.0).advance(c) for c in "0123456789−–"}) == 1
    assert face(20.0).width("11.11") == face(20.0).width("88.88")


def test_tiles__write_number_keeps_the_last_digits_place() -> None:
    tiles = Tiles(face(20.0, bold=True), INK, GROUND, 1.0)
    ends = set()
    for text in ("  1.0", " 22.2", "133.3"):
        frame = np.zeros((60, 300, 4), np.uint8)
        ends.add(tiles.write_number(frame, text, 10, 40))
        assert ends == {10 + tiles.width("888.8")}


def test_tiles__unknown_characters_become_question_marks() -> None:
    tiles = Tiles(face(20.0), INK, GROUND, 1.0)
    frames = [np.zeros((60, 100, 4), np.uint8) for _ in range(2)]
    tiles.write(frames[0], "漢", 10, 40)
    tiles.write(frames[1], "?", 10, 40)
    assert np.array_equal(*frames)


def test_tiles__writing_beyond_the_frame_is_left_out() -> None:
    tiles = Tiles(face(20.0), INK, GROUND, 1.0)
    frame = np.zeros((60, 40, 4), np.uint8)
    tiles.write(frame, "12345", -5, 40)
    assert frame.shape == (60, 40, 4)


def shown_small(character: str, cap_px: float, scale: float, shift: tuple[int, int]) -> Picture:
    """A quiet digit on the plate as luma, shrunk by area as players do, at a pixel offset."""
    cv2 = pytest.importorskip("cv2")
    mask = face(cap_px).mask(character)
    side = round(80 * scale / 5)
    picture = np.full((side, side), 30.0)
    top, left = 6 + shift[0], 6 + shift[1]
    picture[top : top + mask.shape[0], left : left + mask.shape[1]] += 180 * mask
    small = cv2.resize(
        picture, (round(side / scale), round(side / scale)), interpolation=cv2.INTER_AREA
    )
    return np.asarray(small)


def test_face__digits_are_told_apart_on_a_phone() -> None:
    """Digits 24 px high in a 1920 px picture, shown 360 px wide (4.5 px), at 36 offsets.

    Each is nearer to the same digit at another offset than to any other digit. At 3.4 px the same
    check fails for one in seventy.
    """
    scale = 1920 / 360
    shifts = [(i, j) for i in range(6) for j in range(6)]
    shown = {
        (digit, shift): shown_small(digit, 24.0, scale, shift)
        for digit in "0123456789"
        for shift in shifts
    }
    keys = list(shown)
    flat = np.array([shown[key].ravel() for key in keys])
    for index, (digit, shift) in enumerate(keys):
        distance = np.abs(flat - flat[index]).mean(axis=1)
        others = [k for k, key in enumerate(keys) if key[1] != shift]
        nearest = keys[min(others, key=lambda k: distance[k])]
        assert nearest[0] == digit, (digit, shift, nearest)
