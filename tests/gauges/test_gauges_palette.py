"""Contrast and colours against published values."""

import itertools

import numpy as np
import pytest

from overlay.errors import UsageError
from overlay.gauges.palette import (
    BLACK,
    BUILD_HUES,
    CUT,
    GROUND,
    SPIN,
    TRACK,
    Color,
    build_hue,
    contrast,
    luma_709,
    relative_luminance,
)


@pytest.mark.parametrize(
    ("first", "second", "ratio"),
    [
        # WCAG 2.2 contrast: 21 for black on white by definition; the greys are the well-known
        # pair either side of its 4.5:1, computed from its formula.
        ((0, 0, 0), (255, 255, 255), 21.0),
        ((0x77, 0x77, 0x77), (255, 255, 255), 4.478),
        ((0x76, 0x76, 0x76), (255, 255, 255), 4.542),
    ],
)
def test_contrast__published_pairs(
    first: tuple[int, int, int], second: tuple[int, int, int], ratio: float
) -> None:
    assert contrast(first, second) == pytest.approx(ratio, abs=5e-4)
    assert contrast(second, first) == contrast(first, second)


def test_relative_luminance__primaries_are_the_coefficients() -> None:
    # WCAG 2.2: L = 0.2126 R + 0.7152 G + 0.0722 B
    got = relative_luminance(np.eye(3) * 255)
    assert got == pytest.approx([0.2126, 0.7152, 0.0722])


def test_luma_709__published_codes() -> None:
    # ITU-R BT.709, 8-bit limited range: white 235, red 63, green 173, blue 32, black 16
    codes = [luma_709(Color(*c)) for c in ((255, 255, 255), (255, 0, 0), (0, 255, 0), (0, 0, 255))]
    assert [round(code) for code in codes] == [235, 63, 173, 32]
    assert luma_709(BLACK) == 16


def test_hues__are_of_the_eight_published_colours() -> None:
    # Okabe & Ito, Color Universal Design, 2008; the RGB triples are from memory.
    published = {(0, 0, 0), (230, 159, 0), (86, 180, 233), (0, 158, 115), (240, 228, 66)}
    published |= {(0, 114, 178), (213, 94, 0), (204, 121, 167)}
    assert {BLACK, SPIN, CUT, *BUILD_HUES} <= published


def test_build_hue__all_differ_from_each_other_and_from_the_marks() -> None:
    hues = [build_hue(index) for index in range(len(BUILD_HUES))]
    for first, second in itertools.combinations([*hues, SPIN, CUT], 2):
        assert np.abs(np.subtract(first, second)).sum() > 75  # orange and vermillion are nearest


def test_build_hue__stands_out_from_the_plate_and_the_empty_tape() -> None:
    # WCAG 2.2, 1.4.11: 3:1 for graphics that carry meaning
    for hue in BUILD_HUES:
        assert contrast(hue, GROUND) > 4.5
        assert contrast(hue, TRACK) > 1.7
        assert luma_709(hue) - luma_709(TRACK) > 45


def test_build_hue__refuses_more_builds_than_hues() -> None:
    with pytest.raises(UsageError, match="build number 5"):
        build_hue(4)
