"""What is told of a clip that cannot be judged."""

import json

import numpy as np
import pytest

from overlay.cli import measure
from overlay.cli.main import invoke
from overlay.errors import UndeterminedError
from overlay.jobs import verify
from overlay.series import Series
from overlay.verify import Check, ReadBack, judge
from overlay.verify.finished import _covered
from overlay.verify.ground import Pace

NONE = np.zeros(0)
BLIND = Pace(NONE, NONE, NONE, NONE, "too few corners of the ground move for sure")
SHOWN = Series("speed_mps", np.arange(3.0), np.arange(3.0))


@pytest.mark.parametrize(
    ("boxes", "share"),
    [
        ([], 0.0),
        ([(0.0, 0.0, 1.0, 0.5)], 0.0),
        ([(0.0, 0.5, 1.0, 1.0)], 1.0),
        ([(0.0, 0.75, 1.0, 1.0)], 0.5),
        ([(0.0, 0.25, 0.5, 0.75), (0.25, 0.5, 0.5, 0.75)], 0.25),
    ],
)
def test_covered__share_of_the_lower_half(boxes, share):
    assert _covered(boxes) == pytest.approx(share, abs=0.01)


def test_by_corners__says_that_the_gauges_cover_the_ground():
    open_view, covered = (
        verify._by_corners(ReadBack("a1", SHOWN, BLIND, share)).reason for share in (0.2, 0.6)
    )
    assert open_view == BLIND.reason
    assert covered == f"{BLIND.reason}; the gauges cover 60 % of the picture's lower half, " + (
        "where the ground is"
    )


def test_json__an_object_also_when_undetermined(monkeypatch, capsys):
    def refuses(*args: object, **more: object) -> None:
        raise UndeterminedError("a.mp4: the lag cannot be determined: too dark")

    monkeypatch.setattr(measure, "verify_clip", refuses)
    assert invoke(["verify", "a.mp4", "--json", "-q"]) == 5
    found = json.loads(capsys.readouterr().out)
    assert found["exit_code"] == 5
    assert "too dark" in found["error"]


def test_json__tells_each_witness_of_a_disagreement(monkeypatch, capsys):
    checks = [
        Check("corners", 0.005, (-0.077, 0.087)),
        Check("engine sound", 1.158, (1.119, 1.197), accuses=False),
    ]
    monkeypatch.setattr(measure, "verify_clip", lambda *a, **b: (judge("a1", checks),))
    assert invoke(["verify", "a.mp4", "--json", "-q"]) == 5
    found = json.loads(capsys.readouterr().out)
    assert "disagree" in found["reason"]
    assert [c["residual_lag_s"] for c in found["runs"][0]["checks"]] == [0.005, 1.158]
    assert found["runs"][0]["residual_lag_s"] is None
    assert invoke(["verify", "a.mp4", "-q"]) == 5
    assert "engine sound: +1158 ms ± 39" in capsys.readouterr().out
