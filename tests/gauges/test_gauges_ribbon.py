"""Ribbon: its length is the speed."""

import math

import numpy as np
import pytest

from overlay.errors import UsageError
from overlay.gauges.canvas import Rgba
from overlay.gauges.palette import GROUND
from overlay.gauges.ribbon import Ribbon, RibbonValues

FULL = 20.0


@pytest.fixture(scope="module")
def ribbon() -> Ribbon:
    return Ribbon(900, 168, full_scale_mps=FULL, ticks=[(4.4704, "10"), (8.9408, "20")])


def length(ribbon: Ribbon, frame: Rgba) -> float:
    """Length of the full part, by area in one row of the core, as a share of full scale."""
    band = ribbon.band
    row = frame[(band.y0 + band.y1) // 2, :, :3].astype(float)
    full, empty = row[int(band.x0) - 3], row[int(band.x1) + 3]
    share = (row - empty) @ (full - empty) / ((full - empty) @ (full - empty))
    return float(share[int(band.x0) : int(band.x1)].sum() / (band.x1 - band.x0))


def test_draw__length_is_exactly_the_fraction(ribbon: Ribbon) -> None:
    for speed in np.linspace(0.0, FULL, 57):
        got = length(ribbon, ribbon.draw(RibbonValues(float(speed), 0.2)))
        assert got == pytest.approx(speed / FULL, abs=1e-5 * 10)


def test_draw__longer_with_every_bit_of_speed(ribbon: Ribbon) -> None:
    speeds = np.linspace(3.0, 3.2, 41)  # a fifth of a pixel a step
    lengths = [length(ribbon, ribbon.draw(RibbonValues(float(v)))) for v in speeds]
    assert np.all(np.diff(lengths) > 0)


def test_draw__is_a_pure_function_in_a_reused_buffer(ribbon: Ribbon) -> None:
    first = ribbon.draw(RibbonValues(7.0, 0.3)).copy()
    ribbon.draw(RibbonValues(math.nan))
    ribbon.draw(RibbonValues(19.0, 2.0))
    again = ribbon.draw(RibbonValues(7.0, 0.3))
    assert np.array_equal(first, again)
    assert again is ribbon.draw(RibbonValues(0.0))
    assert again.dtype == np.uint8
    assert again.shape == (168, 900, 4)


def test_draw__beyond_full_scale_stays_full_but_digits_go_on(ribbon: Ribbon) -> None:
    full = ribbon.draw(RibbonValues(FULL)).copy()
    over = ribbon.draw(RibbonValues(FULL * 1.2)).copy()
    assert length(ribbon, over) == length(ribbon, full) == pytest.approx(1.0)
    assert not np.array_equal(full, over)


def test_draw__fringe_is_as_wide_as_the_uncertainty(ribbon: Ribbon) -> None:
    strip_row = ribbon.band.y0 - 4
    certain = ribbon.draw(RibbonValues(10.0, 0.0))[strip_row, :, :3].astype(float).copy()
    for sigma in (0.2, 0.5, 1.0):
        row = ribbon.draw(RibbonValues(10.0, sigma))[strip_row, :, :3].astype(float)
        changed = np.flatnonzero(np.abs(row - certain).sum(axis=1) > 3)
        width_px = changed[-1] - changed[0] + 1
        expected = 2 * 1.96 * sigma / FULL * (ribbon.band.x1 - ribbon.band.x0)
        # The soft ends sink below one code before they end.
        assert 0.8 * expected < width_px < expected + 2


def test_draw__digits_are_whole_wherever_the_tape_ends(ribbon: Ribbon) -> None:
    """Bright pixels (ink) never touch the first or last columns or rows of the plate."""
    for speed in np.linspace(0.0, FULL, 101):
        frame = ribbon.draw(RibbonValues(float(speed), 0.3))
        bright = frame[..., :3].min(axis=2) > 170
        margin = 8
        assert not bright[:, :margin].any()
        assert not bright[:, -margin:].any()
        assert not bright[:margin].any()
        assert not bright[-margin:].any()


def test_draw__digits_do_not_jump_while_the_speed_hardly_changes(ribbon: Ribbon) -> None:
    """The last column of ink, the unit's, moves by no more than the tape does."""
    starts = []
    for speed in np.linspace(9.0, 9.1, 21):
        ink = ribbon.draw(RibbonValues(float(speed)))[20:60, :, :3].min(axis=2) > 150
        starts.append(int(np.flatnonzero(ink.any(axis=0))[-1]))
    assert np.all(np.abs(np.diff(starts)) <= 2)


def test_draw__no_data_is_no_number(ribbon: Ribbon) -> None:
    blank = ribbon.draw(RibbonValues(math.nan)).copy()
    zero = ribbon.draw(RibbonValues(0.0)).copy()
    assert not np.array_equal(blank, zero)
    core = blank[ribbon.band.y0, int(ribbon.band.x0) : int(ribbon.band.x1)]
    assert np.all(core == core[0])


def test_ribbon__clear_pixels_carry_the_ground(ribbon: Ribbon) -> None:
    corner = ribbon.draw(RibbonValues(3.0))[0, 0]
    assert tuple(corner) == (*GROUND, 0)


@pytest.mark.parametrize(
    ("size", "settings", "message"),
    [
        ((901, 168), {}, "must be even"),
        ((40, 20), {}, "too small"),
        ((900, 168), {"full_scale_mps": 0.0}, "above zero"),
        ((900, 168), {"full_scale_mps": math.nan}, "above zero"),
        ((900, 168), {"unit": "furlongs"}, "unknown speed unit"),
    ],
)
def test_ribbon__refuses_nonsense(
    size: tuple[int, int], settings: dict[str, object], message: str
) -> None:
    with pytest.raises(UsageError, match=message):
        Ribbon(*size, **{"full_scale_mps": FULL, **settings})  # type: ignore[arg-type]
