"""What a step bought, in words and figures that follow by hand from a given difference."""

from dataclasses import replace

import pytest

from overlay.compare.figures import (
    CANNOT_TELL,
    NO_DIFFERENCE,
    NOT_JUDGED,
    REAL,
    WIDE,
    BuildSummary,
    Comparison,
)
from overlay.compare.value import headline, value_of
from overlay.errors import UsageError

OF_BUILD = BuildSummary(3, 3.5, 0.02, 0.05, 0.01, 0.0, 0.0, ())


def figure(difference: float, half: float, verdict: str = REAL, **more: object) -> Comparison:
    given = {"label": "20 to 60 m", "unit": "s", "is_main": True} | more
    return Comparison(
        a=OF_BUILD,
        b=OF_BUILD,
        margin=0.1,
        level=0.05,
        verdict=verdict,
        difference=difference,
        half=half,
        p_differ=0.001,
        p_alike=0.9,
        **given,
    )


def bought(*comparisons: Comparison, cost: float = 85.0, unit: str = "mph"):
    return value_of(
        comparisons, a="A", b="B", cost=cost, currency="GBP", speed_unit=unit, changes=["jet"]
    )


def test_sentence__seconds_with_interval_and_low_end() -> None:
    value = bought(figure(-0.31, 0.12))
    assert value.sentence == "£85 bought 0.31 s ± 0.12 (at least 0.19 s) from 20 to 60 m"
    (gain,) = value.gains
    assert (gain.gain, gain.half) == (0.31, 0.12)
    assert gain.per_unit == pytest.approx(0.31 / 85)
    assert (gain.per_unit_low, gain.per_unit_high) == pytest.approx((0.19 / 85, 0.43 / 85))
    # 8.5 over 0.31, 0.43 and 0.19 s, to whole pounds.
    assert value.notes == ("0.1 s from 20 to 60 m cost £27, between £20 and £45",)


def test_sentence__speed_in_the_sheets_unit() -> None:
    """1.0 and 0.2 m/s are 2.24 and 0.45 mph (0.44704 m/s each, NIST SP 811, B.8)."""
    top = figure(1.0, 0.2, label="top speed", unit="m/s")
    assert bought(top).sentence == "£85 bought 2.2 mph ± 0.4 (at least 1.8 mph) in top speed"
    assert bought(top, unit="km/h").sentence.startswith("£85 bought 3.6 km/h ± 0.7 (at least 2.9")
    assert bought(top).notes == ("1 mph in top speed cost £38, between £32 and £47",)
    assert headline([top], "mph") == "Real: 2.2 mph ± 0.4 faster in top speed, at least 1.8 mph"


def test_sentence__a_loss_a_tie_and_an_open_figure() -> None:
    lost = figure(0.20, 0.05, label="60 m rollout", is_main=False)
    alike = figure(0.0, 0.03, NO_DIFFERENCE, label="10 to 20 mph", is_main=False)
    open_ = figure(
        -0.05, 0.09, CANNOT_TELL, label="20 m", is_main=False, reason="x", remedy="2 more runs"
    )
    assert bought(figure(-0.31, 0.12), lost, alike, open_).sentence == (
        "£85 bought 0.31 s ± 0.12 (at least 0.19 s) from 20 to 60 m; but lost 0.20 s ± 0.05 "
        "(at least 0.15 s) to 60 m with rollout left out; from 10 to 20 mph no difference that "
        "matters; cannot tell yet to 20 m (0.05 s ± 0.09): x; 2 more runs"
    )
    assert bought(lost, cost=0.0).sentence == (
        "B, for nothing more, lost 0.20 s ± 0.05 (at least 0.15 s) to 60 m with rollout left out"
    )
    assert bought(alike).sentence == "£85 bought nothing that matters from 10 to 20 mph"
    assert bought(open_, cost=-5.0).sentence.startswith("B, for £5 less, gained nothing that is")
    assert headline([lost], "mph").startswith("Real: 0.20 s ± 0.05 slower to 60 m")
    assert headline([alike], "mph") == "No difference that matters"
    assert headline([alike, open_], "mph") == "Cannot tell yet"


def test_notes__an_upper_end_only_where_the_gain_is_sure() -> None:
    unsure = figure(-0.05, 0.09, CANNOT_TELL, reason=WIDE)
    assert bought(unsure).notes == (
        "0.1 s from 20 to 60 m cost at least £61; the gain may be nothing",  # 8.5 / 0.14
    )
    assert bought(figure(0.2, 0.05)).notes == ()
    # All of A before all of B: not even the least is known.
    assert bought(figure(-0.23, 0.16, CANNOT_TELL, reason="order")).notes == ()
    assert bought(figure(-0.31, 0.12), cost=0.0).notes == ()
    assert bought(figure(-0.31, 0.12, NOT_JUDGED)).notes == ()
    two = value_of(
        [figure(0.2, 0.1)], a="A", b="B", cost=9.0, currency="GBP", changes=["cam", "jet"]
    )
    assert two.notes == (
        "2 parts changed at once from A to B: the runs cannot say which of them helped; a build B "
        "without the cam, the dearest, would help most",
    )


def test_value__other_units_are_refused() -> None:
    with pytest.raises(UsageError, match="neither"):
        bought(figure(1.0, 0.2, unit="kg"))
    with pytest.raises(UsageError, match="no split"):
        bought()


def test_sentence__of_several_open_figures_says_the_most_runs() -> None:
    few, many = (
        figure(-0.05, 0.09, CANNOT_TELL, label=label, is_main=False, reason=WIDE)
        for label in ("20 m", "60 m")
    )
    few = replace(few, further_runs=3, remedy="3 more runs of each would probably decide it")
    many = replace(many, further_runs=8, remedy="8 more runs of each would probably decide it")
    for pair in ([few, many], [many, few]):
        assert bought(*pair).sentence.endswith(": 8 more runs of each would probably decide it")


def test_phrase__by_verdict() -> None:
    open_ = figure(0.05, 0.09, CANNOT_TELL, reason="x", remedy="2 more runs")
    assert bought(open_).gains[0].phrase == (
        "from 20 to 60 m cannot tell yet (−0.05 s ± 0.09; x; 2 more runs)"
    )
    alike = figure(0.0, 0.03, NO_DIFFERENCE)
    assert bought(alike).gains[0].phrase == "from 20 to 60 m no difference that matters"
    edge = bought(figure(-0.5, 0.5)).gains[0].phrase  # its low end is 0: nothing to call "at least"
    assert edge == "0.50 s ± 0.50 from 20 to 60 m"
    fine = bought(figure(-0.31, 0.004)).gains[0].phrase  # as many decimals as the ± needs
    assert fine == "0.310 s ± 0.004 (at least 0.306 s) from 20 to 60 m"


TOP = {"label": "top speed", "unit": "m/s", "is_main": False}


@pytest.mark.parametrize(
    ("figures", "said"),
    [
        ([figure(-0.31, 0.12)], "Real: 0.31 s ± 0.12 quicker from 20 to 60 m, at least 0.19 s"),
        ([figure(0.31, 0.12)], "Real: 0.31 s ± 0.12 slower from 20 to 60 m, at least 0.19 s"),
        # By itself the interval may hold 0 although the family is decided: no low end then.
        ([figure(-0.10, 0.12)], "Real: 0.10 s ± 0.12 quicker from 20 to 60 m"),
        # 1.0 and 0.2 m/s are 2.24 and 0.45 mph (0.44704 m/s each, NIST SP 811, B.8).
        ([figure(1.0, 0.2, **TOP)], "Real: 2.2 mph ± 0.4 faster in top speed, at least 1.8 mph"),
        ([figure(-1.0, 0.2, **TOP)], "Real: 2.2 mph ± 0.4 slower in top speed, at least 1.8 mph"),
        # The main figure, else the last that is timed, else a speed.
        ([figure(-0.31, 0.12), figure(-0.5, 0.1, is_main=False)], "Real: 0.31 s"),
        ([figure(-0.5, 0.1, is_main=False), figure(1.0, 0.2, **TOP)], "Real: 0.50 s"),
        ([figure(-0.31, 0.12, CANNOT_TELL), figure(1.0, 0.2, **TOP)], "Real: 2.2 mph"),
        ([figure(-0.01, 0.02, NO_DIFFERENCE)] * 2, "No difference that matters"),
        ([figure(-0.01, 0.02, NO_DIFFERENCE), figure(0.0, 0.1, NOT_JUDGED)], "No difference that"),
        ([figure(-0.01, 0.02, NO_DIFFERENCE), figure(0.0, 0.5, CANNOT_TELL)], "Cannot tell yet"),
        ([figure(0.0, 0.1, NOT_JUDGED)], "Cannot tell yet"),
    ],
)
def test_headline__by_verdict_sign_and_unit(figures: list[Comparison], said: str) -> None:
    found = headline(figures, "mph")
    assert found == said or (found.startswith(said) and len(figures) > 1)


def test_sentence__an_open_loss_has_its_sign_and_nothing_has_none() -> None:
    for difference, said in ((0.05, "−0.05 s ± 0.20"), (0.0, "0.00 s ± 0.20"), (0.004, "0.00 s")):
        open_one = figure(difference, 0.2, CANNOT_TELL, reason=WIDE, remedy="3 more runs")
        assert f"yet from 20 to 60 m ({said}" in bought(open_one).sentence


def test_sentence__three_figures_lost_are_listed() -> None:
    names = ("10 to 20 mph", "20 to 60 m", "40 to 60 m")
    lost = [figure(0.3, 0.1, label=name, is_main=False) for name in names]
    each = [f"0.30 s ± 0.10 (at least 0.20 s) from {name}" for name in names]
    assert bought(*lost).sentence == f"£85 lost {each[0]}, {each[1]} and {each[2]}"
