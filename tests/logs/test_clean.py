import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import InputError
from overlay.logs import read_log
from overlay.logs.clean import Raw, cleaned
from overlay.logs.days import days_unwrapped
from overlay.logs.model import LATITUDE, RPM, SPEED, Log
from overlay.logs.order import longest_increasing
from overlay.timebase import FloatArray


def log_of(t_s: FloatArray, speed_mps: FloatArray) -> Log:
    return cleaned(Raw("run", "table", "elapsed", t_s, {SPEED: speed_mps}))


def test_cleaned__a_good_log_passes_unchanged() -> None:
    t_s, speed_mps = np.arange(50) / 10, np.linspace(0, 9, 50)
    log = log_of(t_s, speed_mps)
    assert log.speed is not None
    assert np.array_equal(log.speed.t_s, t_s)
    assert np.array_equal(log.speed.values, speed_mps)
    found = log.cleaning
    assert (found.duplicates, found.backward_steps, found.out_of_range) == (0, 0, 0)
    assert found.gaps_s == ()
    assert found.notes == ()


def test_cleaned__exact_duplicates_are_dropped_and_repeated_values_kept() -> None:
    t_s = np.array([0.0, 0.1, 0.1, 0.2, 0.3])
    log = log_of(t_s, np.array([1.0, 2.0, 2.0, 2.0, 3.0]))
    assert log.speed is not None
    assert log.speed.t_s.tolist() == [0.0, 0.1, 0.2, 0.3]
    assert log.cleaning.duplicates == 1
    assert log.cleaning.notes == ()


def test_cleaned__one_time_with_two_values_keeps_the_first_and_says_so() -> None:
    log = log_of(np.array([0.0, 0.1, 0.1, 0.2]), np.array([1.0, 2.0, 7.0, 3.0]))
    assert log.speed is not None
    assert log.speed.values.tolist() == [1.0, 2.0, 3.0]
    assert log.cleaning.duplicates == 1
    assert "repeat a time with other values" in log.cleaning.notes[0]


def test_cleaned__whole_second_times_on_a_fast_log_are_called_too_coarse() -> None:
    with pytest.raises(InputError, match=r"90 of 100 records repeat a time.*too coarse"):
        log_of(np.floor(np.arange(100) / 10), np.arange(100) / 10)


def test_cleaned__records_of_one_time_complete_each_other() -> None:
    values = {SPEED: np.array([1.0, np.nan]), RPM: np.array([np.nan, 1800.0])}
    log = cleaned(Raw("run", "table", "elapsed", np.zeros(2), values))
    assert log.speed is not None
    assert log.rpm is not None
    assert log.cleaning.duplicates == 0
    assert log.cleaning.records_kept == 1


def test_cleaned__one_wild_time_costs_only_itself() -> None:
    t_s = np.arange(100) / 10
    t_s[40] = 5000.0
    t_s[60] = -3.0
    log = log_of(t_s, np.arange(100.0))
    assert log.speed is not None
    assert len(log.speed) == 98
    assert log.cleaning.backward_steps == 2


def test_cleaned__a_step_back_keeps_the_longer_part() -> None:
    t_s = np.concatenate([np.arange(20), np.arange(50)]) / 10
    log = log_of(t_s, np.arange(70.0))
    assert log.speed is not None
    assert len(log.speed) == 50
    assert log.cleaning.backward_steps == 20
    assert "step back" in log.cleaning.notes[0]


@pytest.mark.parametrize(("wild", "kept"), [(-0.1, 99), (200.1, 99), (np.inf, 99), (145.0, 100)])
def test_cleaned__out_of_range(wild: float, kept: int) -> None:
    speed_mps = np.ones(100)
    speed_mps[50] = wild
    log = log_of(np.arange(100) / 10, speed_mps)
    assert log.speed is not None
    assert len(log.speed) == kept
    assert log.cleaning.out_of_range == 100 - kept


def test_cleaned__gaps_are_listed_and_stay_empty() -> None:
    t_s = np.delete(np.arange(100) / 10, np.r_[30:32, 50:51, 70:90])
    log = log_of(t_s, np.ones(len(t_s)))
    assert log.speed is not None
    # Two missing records make three steps; one makes two, which one late record can do as well.
    assert log.cleaning.gaps_s == (
        (pytest.approx(2.9), pytest.approx(3.2)),
        (pytest.approx(6.9), pytest.approx(9.0)),
    )
    assert len(log.speed) == len(t_s)


def test_cleaned__a_receiver_slower_than_its_file_is_noted() -> None:
    t_s = np.arange(300) / 50
    log = log_of(t_s, np.repeat(2 + 3 * np.arange(60) / 10, 5))
    assert log.speed is not None
    assert len(log.speed) == 300
    (note,) = log.cleaning.notes
    assert "repeat the one before" in note
    assert "0.1 s" in note  # 50 Hz rows, a new value every fifth


def test_cleaned__one_speed_all_along_is_said_without_an_interval() -> None:
    log = log_of(np.arange(300) / 50, np.full(300, 5.0))
    (note,) = log.cleaning.notes
    assert note.startswith("the speed is the same in all records") and " s;" not in note


def test_cleaned__standing_still_is_no_repetition() -> None:
    assert log_of(np.arange(300) / 50, np.zeros(300)).cleaning.notes == ()


def test_cleaned__half_a_position_is_none() -> None:
    values = {SPEED: np.ones(30), LATITUDE: np.full(30, 52.0)}
    log = cleaned(Raw("run", "table", "elapsed", np.arange(30.0), values))
    assert set(log.channels) == {SPEED}


def test_cleaned__inputs_are_not_changed() -> None:
    t_s, values = np.array([0.0, 0.1, 0.1]), np.array([1.0, np.nan, 999.0])
    kept = t_s.copy(), values.copy()
    log_of(t_s, values)
    assert np.array_equal(t_s, kept[0])
    assert np.array_equal(values, kept[1], equal_nan=True)


def test_longest_increasing__against_brute_force(rng: np.random.Generator) -> None:
    for _ in range(60):
        t_s = rng.integers(0, 8, 9).astype(float)
        best = max(
            bin(mask).count("1")
            for mask in range(1 << 9)
            if np.all(np.diff(t_s[[i for i in range(9) if mask >> i & 1]]) > 0)
        )
        rows = longest_increasing(t_s)
        assert len(rows) == best
        assert np.all(np.diff(rows) > 0)
        assert np.all(np.diff(t_s[rows]) > 0)


def test_days_unwrapped__undated_records_before_and_after_a_date() -> None:
    times = [86398.0, 86399.0, 0.0, 1.0, 86399.0, 0.0]
    days = [None, None, 100, None, None, None]
    assert days_unwrapped(times, days) == ([99, 99, 100, 100, 100, 101], 2, 0, True)


def test_days_unwrapped__ordinary_pause_of_weeks_is_no_rollover() -> None:
    assert days_unwrapped([0.0, 0.0], [737000, 737000 + 7000])[2] == 0
    assert days_unwrapped([0.0, 0.0], [737000, 737000 + 2 * 7168]) == ([751336] * 2, 0, 1, True)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "is empty"),
        (b"\x00\x00\x00\x20ftypisom" + bytes(100), "has no index"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "a picture"),
        (b"PK\x03\x04" + bytes(100), "a zip archive"),
        (bytes(range(256)) * 20, "binary file"),
        (b"<html><body>Not found</body></html>", "no gpx element"),
        (b"{\\rtf1 a letter}", "no table found"),
    ],
)
def test_read_log__wrong_files(tmp_path: Path, data: bytes, told: str) -> None:
    path = tmp_path / "run.csv"
    path.write_bytes(data)
    with pytest.raises(InputError, match=told) as caught:
        read_log(path)
    assert "run.csv" in str(caught.value)


def test_read_log__missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_log(tmp_path / "none.gpx")
    with pytest.raises(InputError, match="is a folder"):
        read_log(tmp_path)


def test_logs__import_is_cheap_and_names_exist() -> None:
    script = (
        "import sys, overlay.logs as logs\n"
        "assert all(hasattr(logs, name) for name in logs.__all__)\n"
        "heavy = {'gpxpy', 'pynmea2', 'csv', 'scipy', 'cv2'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", script], check=True, timeout=60)


def test_cleaned__a_speed_that_never_changes_is_noted() -> None:
    (note,) = log_of(np.arange(300) / 50, np.full(300, 9.0)).cleaning.notes
    assert "the same in all records" in note
