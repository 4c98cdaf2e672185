"""Where the parts of a finished clip lie: shares and pixels, counted by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from overlay.errors import InputError
from overlay.footage.model import LumaFrame
from overlay.gauges.imprint import Imprint, ImprintSide
from overlay.gauges.readback import ReadBand
from overlay.verify.finished import _across, _covered, _cut, _inside, _scaled, _shown, _within

BAND = ReadBand(10.0, 410.0, 21, 40, full_scale_mps=20.0, anchor_px=12, luma_step=90.0)
SIDE = ImprintSide("a", (40, 20, 600, 400), (100, 300), BAND)
NOTE = Imprint((1280, 720), (SIDE,), ((100, 300, 440, 60), (0, 700, 1280, 20)))


def test_scaled__to_half_and_to_twice_the_size():
    half, twice = _scaled(NOTE, 640, 360), _scaled(NOTE, 2560, 1440)
    assert (half.size, twice.size) == ((640, 360), (2560, 1440))
    assert half.boxes == ((50, 150, 220, 30), (0, 350, 640, 10))
    assert twice.boxes[0] == (200, 600, 880, 120)
    (small,), (large,) = half.sides, twice.sides
    assert (small.region, large.region) == ((20, 10, 300, 200), (80, 40, 1200, 800))
    assert (small.ribbon_at, large.ribbon_at) == ((50, 150), (200, 600))
    assert (small.band.x0, small.band.x1) == (5.0, 205.0)
    # Rows that lie in the tape as a whole: 10.5 to 20 are 11 to 20.
    assert (small.band.y0, small.band.y1) == (11, 20)
    assert (large.band.y0, large.band.y1) == (42, 80)
    assert (small.band.anchor_px, large.band.anchor_px) == (6, 24)
    assert small.band.full_scale_mps == 20.0
    tiny = _scaled(NOTE, 64, 36).sides[0].band
    assert (tiny.y0, tiny.y1, tiny.anchor_px) == (2, 3, 3)  # a row and three pixels at least
    assert _scaled(NOTE, 1280, 720) is NOTE


@pytest.mark.parametrize(("height", "refused"), [(364, False), (370, True), (350, True)])
def test_scaled__refuses_another_shape(height, refused):
    if refused:
        with pytest.raises(InputError, match="cropped or stretched"):
            _scaled(NOTE, 640, height)
    else:
        assert _scaled(NOTE, 640, height).size == (640, height)


def test_inside__of_the_picture_to_its_last_pixel():
    facts = SimpleNamespace(path="a.mp4", width=640, height=360)
    assert _inside((0, 0, 640, 360), facts) == (0, 0, 640, 360)
    for crop in ((-1, 0, 10, 10), (0, -1, 10, 10), (631, 0, 10, 10), (0, 351, 10, 10)):
        with pytest.raises(InputError, match="outside the picture"):
            _inside(crop, facts)


def test_within__shares_of_the_region_cut_at_its_borders():
    region = (40, 20, 600, 400)
    assert _within((190, 120, 300, 200), region) == pytest.approx((0.25, 0.25, 0.75, 0.75))
    assert _within((0, 0, 340, 120), region) == pytest.approx((0, 0, 0.5, 0.25))
    assert _within((340, 320, 900, 900), region) == pytest.approx((0.5, 0.75, 1, 1))
    assert _within((0, 0, 40, 500), region) is None
    assert _within((0, 0, 900, 20), region) is None
    assert _within((640, 0, 10, 500), region) is None
    assert _within((100, 600, 50, 50), region) is None
    assert _within((900, 100, 50, 50), region) is None


def test_covered__share_of_the_lower_half():
    assert _covered([]) == 0.0
    assert _covered([(0.0, 0.0, 1.0, 0.5)]) == 0.0
    assert _covered([(0.0, 0.5, 1.0, 1.0)]) == 1.0
    assert _covered([(0.0, 0.75, 0.5, 1.0)]) == pytest.approx(0.25)
    assert _covered([(0.2, 0.0, 0.3, 0.6)]) == pytest.approx(0.1 * 0.2)
    twice = [(0.0, 0.5, 0.5, 1.0), (0.25, 0.5, 0.75, 1.0)]  # what both cover counts once
    assert _covered(twice) == pytest.approx(0.75)


def sides(*widths):
    parts = tuple(ImprintSide("a", (0, 0, width, 400), (0, 0), BAND) for width in widths)
    return Imprint((1280, 720), parts, ())


def test_across__as_many_as_the_widest_region_goes_into_the_picture():
    assert [_across(sides(*widths)) for widths in ((1280,), (640, 640), (420, 420, 300))] == [
        1,
        2,
        3,
    ]


def test_cut__the_part_of_the_picture():
    luma = np.arange(40 * 60, dtype=np.uint8).reshape(40, 60)
    part = _cut(LumaFrame(1.5, luma), (0.25, 0.1, 0.75, 0.6))
    assert part.t_s == 1.5
    assert np.array_equal(part.luma, luma[4:24, 15:45])


def test_shown__only_what_could_be_read_and_enough_of_it():
    t_s = np.arange(300) / 30
    speed = np.where(t_s < 5, 2 * t_s, np.nan)
    shown = _shown("a.mp4", t_s, speed, SIDE)
    assert np.array_equal(shown.t_s, t_s[:150])
    assert np.array_equal(shown.values, 2 * t_s[:150])
    for read, found in ((14, False), (15, True)):  # a twentieth of 300
        few = np.where(np.arange(300) < read, 3.0, np.nan)
        if found:
            assert len(_shown("a.mp4", t_s, few, SIDE)) == read
        else:
            with pytest.raises(InputError, match=f"read in {read} of 300"):
                _shown("a.mp4", t_s, few, SIDE)
    with pytest.raises(InputError):
        _shown("a.mp4", t_s[:9], speed[:9], SIDE)
    assert len(_shown("a.mp4", t_s[:10], speed[:10], SIDE)) == 10
