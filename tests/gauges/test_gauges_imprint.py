"""The note that travels in a finished clip: it comes back as written, or says why it cannot."""

import json

import numpy as np
import pytest

from overlay.errors import InputError
from overlay.gauges.imprint import Imprint, ImprintSide, SlowedPart, imprint_from_text
from overlay.gauges.readback import ReadBand

BAND = ReadBand(20.0, 320.0, 40, 52, 15.0, 8, 90.0)
SIDE = ImprintSide("b1", (0, 0, 854, 480), (12, 400), BAND)
NOTE = Imprint((854, 480), (SIDE,), ((12, 400, 340, 70),), SlowedPart(2.0, 3.5, 4.0))


@pytest.mark.parametrize("slowed", [None, NOTE.slowed])
def test_imprint__comes_back_as_written(slowed):
    note = Imprint(NOTE.size, NOTE.sides, NOTE.boxes, slowed)
    assert imprint_from_text(note.to_text()) == note


def test_imprint__a_note_without_slow_motion_is_read_too():
    """Clips drawn before slow motion was noted lack the key."""
    note = json.loads(NOTE.to_text())
    del note["slowed"]
    found = imprint_from_text(json.dumps(note))
    assert found is not None
    assert found.slowed is None


def test_imprint__other_comments_are_no_note():
    assert imprint_from_text("") is None
    assert imprint_from_text("filmed on the taxiway") is None
    assert imprint_from_text('{"title": "b1"}') is None


@pytest.mark.parametrize(
    "change",
    [
        {"timetrue": 99},
        {"timetrue": "a\nb"},
        {"sides": [{}]},
        {"boxes": [[1, 2, 3]]},
        {"slowed": {"start_s": 3.0, "end_s": 2.0, "factor": 4}},
        {"slowed": {"start_s": 1.0, "end_s": 2.0, "factor": 0.5}},
        {"slowed": {"start_s": 1.0}},
        {"boxes": [[1e400, 2, 3, 4]]},
        {"boxes": [[-9, 2, 3, 4]]},
        {"boxes": [[0, 0, 10**9, 4]]},
        {"boxes": [[1, 2, 3, 4]] * 1000},
        {"size": [0, 480]},
        {"size": [10**9, 480]},
        {"sides": []},
        {"sides": {"name": "b1"}},
    ],
)
def test_imprint__damaged_or_unknown_says_what_to_do(change):
    note = json.loads(NOTE.to_text()) | change
    with pytest.raises(
        InputError,
        match=r"^the clip's note .*(draw the clip again|use the program that made the clip)$",
    ):
        imprint_from_text(json.dumps(note))


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("region", [0, 0, 0, 480]),
        ("region", [0, 0, 9000, 480]),
        ("ribbon_at", [-4, 400]),
        ("band", {"x1": 10.0}),
        ("band", {"y1": 40}),
        ("band", {"full_scale_mps": 0.0}),
        ("band", {"full_scale_mps": "fast"}),
        ("band", {"x0": float("nan")}),
        ("band", {"y0": 40.5}),
        ("band", {"anchor_px": -1}),
        ("band", {"more": 1}),
    ],
)
def test_imprint__a_crafted_side_is_refused(key, value):
    note = json.loads(NOTE.to_text())
    side = note["sides"][0]
    side[key] = side[key] | value if isinstance(value, dict) else value
    with pytest.raises(InputError, match="damaged"):
        imprint_from_text(json.dumps(note))


def test_imprint__a_cover_may_reach_beyond_the_picture():
    note = Imprint(NOTE.size, NOTE.sides, ((800, 400, 200, 200),))
    found = imprint_from_text(note.to_text())
    assert found is not None and found.boxes == ((800, 400, 54, 80),)


def test_imprint__deeply_nested_text_is_no_note():
    assert imprint_from_text("[" * 200_000) is None


def test_slowed_part__undoes_slow_motion():
    """Footage times go forward through the section's stretch and come back the same."""
    part = SlowedPart(2.0, 3.5, 4.0)
    footage_s = np.linspace(0, 6, 61)
    shown_s = footage_s + 3 * np.clip(footage_s - 2.0, 0, 1.5)
    np.testing.assert_allclose([part.footage_s(float(t)) for t in shown_s], footage_s, atol=1e-12)
