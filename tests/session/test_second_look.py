"""When the ground is looked at for a second answer, and which of the two is taken."""

from dataclasses import replace

import numpy as np
import pytest

from overlay.motion.model import AMONG_THINGS, MotionSignal
from overlay.session.steps import WIDE_HALF_S, best_alignment
from overlay.sync.model import Alignment
from overlay.sync.refusal import OTHER_LOG, TOO_LITTLE

N = 30
CELLS = MotionSignal(
    t_s=np.arange(N) / 30,
    span_s=np.full(N, 1 / 30),
    forward=np.ones(N),
    quality=np.ones(N),
    sigma=np.ones(N),
    moving_share=1.0,
)
GROUND = replace(CELLS, gain_errors=AMONG_THINGS)


def answer(half_s: float | None) -> Alignment:
    if half_s is None:
        return Alignment(determined=False, reason="does not match")
    return Alignment(determined=True, total_offset_s=1.0, interval_s=(1 - half_s, 1 + half_s))


def chosen(first: Alignment, again: Alignment, *, cells=CELLS, ground=GROUND):
    asked = []

    def closer(_):
        asked.append(True)
        return ground

    motion, found = best_alignment(cells, closer, lambda m: again if m is ground else first)
    return motion is ground, found, bool(asked)


@pytest.mark.parametrize(
    ("first", "again", "takes", "asks"),
    [
        (WIDE_HALF_S / 2, 0.01, False, False),
        (2 * WIDE_HALF_S, 0.05, True, True),
        (2 * WIDE_HALF_S, 3 * WIDE_HALF_S, False, True),
        (None, 0.2, True, True),
        (None, None, False, True),
        (2 * WIDE_HALF_S, None, False, True),
    ],
)
def test_second_look(first, again, takes, asks) -> None:
    one, two = answer(first), answer(again)
    took, found, asked = chosen(one, two)
    assert (took, asked) == (takes, asks)
    assert found is (two if takes else one)


def test_second_look__not_where_the_picture_does_not_move() -> None:
    took, _, asked = chosen(answer(None), answer(0.1), cells=replace(CELLS, reason="dark"))
    assert (took, asked) == (False, False)


def test_second_look__not_where_the_ground_was_looked_at_already() -> None:
    assert not chosen(answer(None), answer(0.1), cells=GROUND)[2]


def test_second_look__too_little_ground() -> None:
    assert chosen(answer(None), answer(0.1), ground=None)[1].reason == "does not match"


@pytest.mark.parametrize("reason", [OTHER_LOG, TOO_LITTLE])
def test_second_look__a_log_that_the_ground_speaks_against_is_not_saved(reason: str) -> None:
    against = Alignment(determined=False, reason=reason)
    took, found, _ = chosen(answer(2 * WIDE_HALF_S), against)
    assert took
    assert found.reason == reason
