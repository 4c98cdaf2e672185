"""Log against log: the lag of one receiver behind another, in closed form and on a real car."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from overlay.cli.main import main
from overlay.errors import MismatchError, UsageError
from overlay.jobs.log_pair import align_logs, log_lag_report
from overlay.motion.logged import as_motion
from overlay.series import Series

START = datetime(2026, 5, 2, 10, 0, 0, tzinfo=UTC)


def drive(t_s: np.ndarray) -> np.ndarray:
    """Three launches and stops in 60 s, m/s."""
    phase = t_s % 20
    up = 14 * (1 - np.exp(-np.clip(phase - 3, 0, None) / 2.5))
    return np.asarray(up * np.clip(1 - (phase - 13) / 3.0, 0, 1))


def late(t_s: np.ndarray, delay_s: float, pole_s: float) -> np.ndarray:
    """A pure delay and a pole, by a fine sum of the impulse response."""
    age_s = (np.arange(4000) + 0.5) * 0.001
    weight = np.exp(-age_s / pole_s) / pole_s * 0.001
    return np.array([np.sum(weight * drive(t - delay_s - age_s)) for t in t_s]) / np.sum(weight)


def write(path: Path, t_s: np.ndarray, values: np.ndarray, header: str, *, utc: bool) -> Path:
    rows = [
        f"{(START + timedelta(seconds=float(t))).isoformat() if utc else f'{t:.4f}'},{v:.4f}"
        for t, v in zip(t_s, values, strict=True)
    ]
    path.write_text("\n".join([f"{'time' if utc else 't_s'},{header}", *rows]) + "\n")
    return path


@pytest.mark.parametrize(
    ("rate_hz", "delay_s", "pole_s", "within_s"),
    [(10.0, 0.8, 0.3, 0.02), (1.0, 1.1, 0.5, 0.06), (10.0, 0.05, 0.05, 0.02)],
)
def test_align_logs__finds_a_known_lag(
    tmp_path: Path,
    rng: np.random.Generator,
    rate_hz: float,
    delay_s: float,
    pole_s: float,
    within_s: float,
) -> None:
    wheel_s = np.arange(0, 60, 0.02)
    wheel = write(
        tmp_path / "wheel.csv",
        wheel_s,
        np.clip(drive(wheel_s) + rng.normal(0, 0.03, len(wheel_s)), 0, None),
        "wheel_speed_mps",
        utc=True,
    )
    gps_s = np.arange(0.03, 60, 1 / rate_hz)
    shown = np.clip(late(gps_s, delay_s, pole_s) + rng.normal(0, 0.05, len(gps_s)), 0, None)
    gps = write(tmp_path / "gps.csv", gps_s, shown, "speed_mps", utc=True)
    found = align_logs(wheel, gps)
    assert found.one_clock
    assert found.alignment.readout_lag_s == pytest.approx(delay_s + pole_s, abs=within_s)
    low, high = found.alignment.interval_s or (0.0, 0.0)
    assert low <= delay_s + pole_s <= high
    assert high - low < 0.3
    # The other way round the lag changes its sign.
    back = align_logs(gps, wheel) if rate_hz > 5 else None
    if back is not None and back.alignment.determined:
        assert back.alignment.total_offset_s == pytest.approx(-delay_s - pole_s, abs=0.06)


def test_align_logs__unknown_clocks_give_the_sum(tmp_path: Path) -> None:
    t_s = np.arange(0, 60, 0.1)
    one = write(tmp_path / "a.csv", t_s, drive(t_s), "speed_mps", utc=False)
    two = write(tmp_path / "b.csv", t_s + 47.5, drive(t_s - 0.4), "speed_mps", utc=False)
    found = align_logs(one, two)
    assert not found.one_clock
    assert found.alignment.readout_lag_s is None
    assert found.alignment.total_offset_s == pytest.approx(47.9, abs=0.01)
    assert "lag and clock offset together" in log_lag_report(found)


def test_align_logs__other_drives_and_logs_without_speed(tmp_path: Path) -> None:
    t_s = np.arange(0, 60, 0.1)
    one = write(tmp_path / "a.csv", t_s, drive(t_s), "speed_mps", utc=True)
    other = write(tmp_path / "b.csv", t_s + 5000, drive(t_s), "speed_mps", utc=True)
    with pytest.raises(MismatchError, match="not recorded at the time of"):
        align_logs(one, other)
    revs = write(tmp_path / "c.csv", t_s, 900 + 200 * drive(t_s), "rpm", utc=True)
    with pytest.raises(MismatchError, match=r"c\.csv: no speed in it"):
        align_logs(one, revs)
    steady = write(tmp_path / "d.csv", t_s, np.full(600, 9.0), "speed_mps", utc=True)
    found = align_logs(one, steady)
    assert not found.alignment.determined
    assert "cannot be determined" in log_lag_report(found)


def test_as_motion__neighbours_are_averaged_between_them() -> None:
    series = Series("wheel_speed_mps", np.arange(0, 3, 0.01), np.arange(0, 30, 0.1))
    motion = as_motion(series)
    scale = motion.forward[-1] / (10 * motion.t_s[-1])
    assert motion.forward == pytest.approx(10 * motion.t_s * scale)
    assert np.median(np.diff(motion.t_s)) == pytest.approx(0.03)
    assert motion.span_s == pytest.approx(np.full(len(motion), 0.03))


def test_align_logs__a_real_car(shared_data: Path) -> None:
    # comma2k19 Example_1 (MIT): the receiver's lag behind wheel speed by a best fit of a pure
    # delay is 0.16 s, in its halves 0.18 s and 0.16 s, as published with the data.
    folder = shared_data / "car60"
    found = align_logs(folder / "wheel_speed.csv", folder / "gnss.csv")
    assert found.alignment.total_offset_s == pytest.approx(0.16, abs=0.03)
    low, high = found.alignment.interval_s or (0.0, 0.0)
    assert low <= 0.16 <= high
    assert "gnss.csv shows +0.1" in log_lag_report(found)


def test_align__two_logs_on_the_command_line(tmp_path: Path) -> None:
    t_s = np.arange(0, 60, 0.1)
    one = write(tmp_path / "a.csv", t_s, drive(t_s), "speed_mps", utc=True)
    two = write(tmp_path / "b.csv", t_s, drive(t_s - 0.7), "speed_mps", utc=True)
    result = CliRunner().invoke(main, ["align", str(one), str(two), "--json"])
    assert result.exit_code == 0
    assert json.loads(result.output)["readout_lag_s"] == pytest.approx(0.7, abs=0.01)
    three = ["align", str(one), str(two), str(two)]
    with pytest.raises(UsageError, match="two logs of one drive"):
        CliRunner().invoke(main, three, catch_exceptions=False, standalone_mode=False)
