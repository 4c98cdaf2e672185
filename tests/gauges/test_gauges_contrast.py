"""Text stays legible over the worst footage, before and after encoding."""

import numpy as np
import numpy.typing as npt
import pytest

from overlay.gauges.base import PLATE_ALPHA
from overlay.gauges.contact import contact_sheet
from overlay.gauges.palette import BLACK, CUT, GROUND, INK, QUIET_INK, SPIN, contrast, mix

WORST = [(255, 255, 255), (0, 0, 0), (128, 128, 128), (255, 0, 0), (0, 255, 0), (255, 255, 0)]


@pytest.mark.parametrize("footage", WORST)
@pytest.mark.parametrize("ink", [INK, QUIET_INK])
def test_plate__text_contrast_with_margin(
    footage: tuple[int, int, int], ink: tuple[int, int, int]
) -> None:
    # WCAG 2.2, 1.4.3 asks 4.5:1; 6:1 leaves room for what encoders blur.
    ground = np.array(footage) + PLATE_ALPHA * (np.array(GROUND) - np.array(footage))
    assert contrast(ink, ground) >= 6.0


def test_chip__black_text_on_marks() -> None:
    assert contrast(BLACK, SPIN) >= 4.5
    assert contrast(BLACK, CUT) >= 4.5


def test_mix__is_what_video_does() -> None:
    assert mix(BLACK, INK, 0.5) == (122, 123, 124)


def test_contact_sheet__has_every_gauge_and_nothing_at_its_edges() -> None:
    sheet: npt.NDArray[np.uint8] = contact_sheet(scale=0.5)
    assert sheet.ndim == 3
    assert sheet.shape[1:] == (960, 3)
    assert sheet.dtype == np.uint8
