"""What is told of a clip that cannot be judged."""

import json
from dataclasses import replace

import numpy as np
import pytest

from overlay.cli import measure
from overlay.cli.main import invoke
from overlay.errors import UndeterminedError
from overlay.footage import probe
from overlay.jobs import verify
from overlay.series import Series
from overlay.verify import Check, ReadBack, judge
from overlay.verify.finished import _covered, pace_of_clip
from overlay.verify.ground import Pace
from tests.demo_runs import ready_runs
from tests.verify.test_lag import pace_of_course, shown_late

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


def test_by_corners__says_it_too_of_a_weak_proof(rng):
    """Nothing passes or is late for it, and it is said."""
    faint = pace_of_course(rng, noise=0.05)
    check = verify._by_corners(ReadBack("a1", shown_late(0.0), faint, 0.6))
    assert check.outcome == "weak proof"
    assert check.reason.startswith("the gauges cover 60 %")
    assert "the gauges cover 60 %" in judge("a1", [check]).reason
    open_view = verify._by_corners(ReadBack("a1", shown_late(0.0), faint, 0.3))
    assert open_view == replace(check, reason="")


def test_covered_ground__of_a_film_is_no_proof_and_is_said():
    """All but the sky and what stands at the horizon lies under gauges."""
    boxes = [(0.0, 0.5, 1.0, 1.0)]
    run = ready_runs()[0]
    pace = pace_of_clip(probe(run.clip), boxes, progress=lambda share: None)
    shown = Series("speed_mps", np.array(run.truth.t_s), np.array(run.truth.speed_mps))
    check = verify._by_corners(ReadBack("a1", shown, pace, _covered(boxes)))
    assert check.outcome in ("cannot tell", "weak proof")
    assert "the gauges cover 100 % of the picture's lower half" in check.reason


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
