"""Decimal signs, thousands, counters, orders: read rightly or refused, never silently wrong.

ISO 80000-1:2022, 7.3 allows the comma and the point as decimal sign and asks for a space between
thousands; what regional number formats write besides is common practice.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import process_time

import numpy as np
import pytest

from overlay.errors import InputError
from overlay.logs import RPM, SPEED, read_log
from overlay.logs.model import Log

from .samples import START, table


def read(folder: Path, text: str, **options: object) -> Log:
    path = folder / "run.csv"
    path.write_text(text)
    return read_log(path, **options)  # type: ignore[arg-type]


def grouped(value: int, sign: str) -> str:
    return f"{value:,}".replace(",", sign)


T_S = np.arange(60) / 10
RPMS = 1707 + 31 * np.arange(60)
LOW_RPMS = 900 + 31 * np.arange(60)


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("t_s;speed_kmh;rpm", lambda i: f"0,{i:02d};{i},5;{grouped(RPMS[i], '.')}"),
        ("t_s;rpm", lambda i: f"{i / 10:.1f};{grouped(RPMS[i], ',')}".replace(".", ".")),
        ("time (ms);rpm", lambda i: f"{grouped(100 * i, '.')};{grouped(RPMS[i], '.')}"),
        ("time (ms);rpm", lambda i: f"{grouped(100 * i, '.')};{RPMS[i]}"),
        ("t_s,rpm", lambda i: f'"0,{i:02d}0","{RPMS[i]}"'),
        ("t_s,rpm", lambda i: f'"{i // 10},{i % 10}","{grouped(RPMS[i], ".")}"'),
        ("t_s,rpm", lambda i: f'{i / 10:.1f},"{grouped(RPMS[i], ",")}"'),
        ("t_s\trpm", lambda i: f"{i / 10:.3f}\t{grouped(RPMS[i], ',')}"),
        ("t_s\trpm", lambda i: f"{i / 10:.1f}\t{grouped(RPMS[i], '’')}"),
        ("t_s;rpm", lambda i: f"{i / 10:.1f};{grouped(RPMS[i], chr(0x202F))}".replace(".", ",")),
        ("t_s;rpm", lambda i: f"{i // 10},{i % 10};{grouped(RPMS[i], '.')},0"),
        ("t_s,rpm", lambda i: f"{i / 10:.3f},{RPMS[i]}"),
    ],
)
def test_table__thousands_and_decimals(
    tmp_path: Path, header: str, row: Callable[[int], str]
) -> None:
    log = read(tmp_path, table(header, row))
    assert log.rpm is not None
    step_s = 0.01 if row(1).startswith(("0,01", '"0,01')) else 0.1
    assert log.rpm.t_s == pytest.approx(np.arange(60) * step_s)
    assert log.rpm.values == pytest.approx(RPMS)
    if SPEED in log.channels:
        assert log.channels[SPEED].values == pytest.approx((np.arange(60) + 0.5) / 3.6)


def test_table__revs_that_pass_a_thousand(tmp_path: Path) -> None:
    log = read(tmp_path, table("t_s;rpm", lambda i: f"{i};{grouped(LOW_RPMS[i], '.')}"))
    assert log.rpm is not None
    assert log.rpm.values == pytest.approx(LOW_RPMS)


@pytest.mark.parametrize(
    "text",
    [
        # 1.234 to 1.293 minutes or 1234 to 1293 minutes: nothing tells, in a table by semicolons.
        table("time (s);altitude (m);rpm", lambda i: f"{i};{1.234 + i / 1000:.3f};1800"),
        table("time;rpm", lambda i: f"{1 + i / 10:.3f};{RPMS[i]}"),
        table("t_s;speed_mps", lambda i: f"{i};{'1,5' if i % 2 else '1.5'}"),
    ],
)
def test_table__two_ways_of_reading_are_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError, match=r"decimal|with a point and with a comma") as caught:
        read(tmp_path, text)
    assert "run.csv, line 1" in str(caught.value)


def test_table__decimal_commas_parted_by_commas_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="header names 2 columns but rows hold more"):
        read(tmp_path, table("t_s,speed_kmh", lambda i: f"{i // 10},{i % 10},{i},5"))


def excel_serial(at: datetime) -> float:
    """ECMA-376 part 1, 18.17.4.1: days since 30 December 1899 (from March 1900 on)."""
    return (at - datetime(1899, 12, 30, tzinfo=UTC)) / timedelta(days=1)


def test_excel_serial__the_standards_own_example() -> None:
    # ECMA-376 part 1, 18.17.4.2: 22 February 2012 is 40961 and 1 January 2008 is 39448.
    assert excel_serial(datetime(2012, 2, 22, tzinfo=UTC)) == 40961
    assert excel_serial(datetime(2008, 1, 1, tzinfo=UTC)) == 39448


@pytest.mark.parametrize("header", ["time", "Date Time", "time (days)"])
def test_table__spreadsheet_dates(tmp_path: Path, header: str) -> None:
    def row(i: int) -> str:
        return f"{excel_serial(START + timedelta(seconds=i / 10)):.10f},{RPMS[i]}"

    log = read(tmp_path, table(f"{header},rpm", row))
    assert log.clock == "utc"
    assert log.start_utc == START
    assert log.rpm is not None
    assert log.rpm.t_s == pytest.approx(T_S, abs=2e-5)
    assert any("2026-05-02 10:00:00" in note for note in log.cleaning.notes)
    ahead = read(tmp_path, table(f"{header},rpm", row), utc_offset_h=2.0)
    assert ahead.start_utc == START - timedelta(hours=2)


@pytest.mark.parametrize(
    ("cell", "told"),
    [
        (lambda i: f"{START.timestamp() * 1e3 + 100 * i:.5E}", "in every row"),
        (lambda i: f"{START.timestamp() * 1e3 + 100 * i:.8E}", "lost their last digits"),
        (lambda i: f"{excel_serial(START) + i / 864000:.3f}", "in every row"),
        (lambda i: f"{i / 864000:.8f}", "does not say its unit"),
        (lambda i: "12.5", "in every row"),
        (lambda i: f"{(START + timedelta(seconds=i / 10)):%Y-%m-%d %H:%M:%S}", "too coarse"),
        (lambda i: f"{(START + timedelta(seconds=20 * i)):%Y-%m-%d %H:%M}", "with seconds"),
        (lambda i: f"{5e11 + i}", "no time since"),
        (lambda i: f"{(i * 11 % 60) ** 2 / 400:.4f}", "step back"),
    ],
)
def test_table__times_that_cannot_be_are_refused(
    tmp_path: Path, cell: Callable[[int], str], told: str
) -> None:
    with pytest.raises(InputError, match=told):
        read(tmp_path, table("time,speed_kmh", lambda i: f"{cell(i)},{i}"))


@pytest.mark.parametrize(("unit", "per_second"), [("ms", 10**3), ("us", 10**6), ("ns", 10**9)])
def test_table__whole_epochs_and_a_wrong_unit(tmp_path: Path, unit: str, per_second: int) -> None:
    def row(i: int) -> str:
        return f"{int(START.timestamp()) * per_second + i * per_second // 10},{i}"

    for header in ("time", f"time ({unit})"):
        log = read(tmp_path, table(f"{header},speed_mps", row))
        assert log.start_utc == START
        assert log.speed is not None
        assert log.speed.t_s == pytest.approx(T_S, abs=1e-6)
    with pytest.raises(InputError, match=f"numbers are {unit} since 1970"):
        read(tmp_path, table("time (s),speed_mps", row))


def test_table__another_time_column_serves_where_one_stands_still(tmp_path: Path) -> None:
    log = read(
        tmp_path, table("session time (s),time,rpm", lambda i: f"12.5,{i / 10:.1f},{RPMS[i]}")
    )
    assert log.rpm is not None
    assert log.rpm.t_s == pytest.approx(T_S)
    assert log.columns == "time 'time', rpm 'rpm' (rpm)"


CELLS: dict[str, Callable[[int], str]] = {
    "elapsed": lambda i: f"{i / 10:.1f}",
    "time of day": lambda i: f"10:00:{i / 10:04.1f}",
    "epoch": lambda i: f"{START.timestamp() + i / 10:.1f}",
    "date and time": lambda i: (START + timedelta(seconds=i / 10)).isoformat(),
}


@pytest.mark.parametrize("kind", CELLS)
def test_table__newest_first_is_put_in_order(tmp_path: Path, kind: str) -> None:
    log = read(tmp_path, table("time,rpm", lambda i: f"{CELLS[kind](59 - i)},{RPMS[59 - i]}"))
    assert log.rpm is not None
    assert log.rpm.t_s - log.rpm.t_s[0] == pytest.approx(T_S, abs=1e-5)
    assert log.rpm.values == pytest.approx(RPMS)
    assert any("newest record comes first" in note for note in log.cleaning.notes)


def test_table__newest_first_over_midnight(tmp_path: Path) -> None:
    def row(i: int) -> str:
        s = (86398 + 59 - i) % 86400
        return f"{s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d},{RPMS[59 - i]}"

    log = read(tmp_path, table("time,rpm", row))
    assert log.rpm is not None
    assert log.rpm.t_s == pytest.approx(86398 + np.arange(60.0))
    assert log.rpm.values == pytest.approx(RPMS)


@pytest.mark.parametrize("kind", CELLS)
def test_table__neighbours_swapped_are_put_in_order(tmp_path: Path, kind: str) -> None:
    log = read(tmp_path, table("time,rpm", lambda i: f"{CELLS[kind](i ^ 1)},{RPMS[i ^ 1]}"))
    assert log.rpm is not None
    assert log.rpm.values == pytest.approx(RPMS)
    assert log.cleaning.backward_steps == 0
    assert "30 records are out of order; they are put in order of time" in log.cleaning.notes


def test_table__shuffled_is_put_in_order(tmp_path: Path, rng: np.random.Generator) -> None:
    order = rng.permutation(60)
    log = read(tmp_path, table("t_s,rpm", lambda i: f"{order[i] / 10:.1f},{RPMS[order[i]]}"))
    assert log.rpm is not None
    assert log.rpm.values == pytest.approx(RPMS)


@pytest.mark.parametrize(
    ("header", "end", "per_second"),
    [
        ("time (ms)", 2**32, 1000),
        ("time (ms)", 2**16, 1000),
        ("time (us)", 2**32, 1_000_000),
        ("time (s)", 86400, 1),
        ("GPS time (s)", 604800, 1),
        ("GPS time (ms)", 604800_000, 1000),
    ],
)
@pytest.mark.parametrize("lost", [False, True])
def test_table__counters_that_pass_their_end(
    tmp_path: Path, header: str, end: int, per_second: int, lost: bool
) -> None:
    # Counters of 16 and 32 bits; seconds of the day; GPS time of week (IS-GPS-200, 604800 s).
    step = max(1, per_second // 10)
    kept = [i for i in range(60) if not (lost and 40 <= i < 44)]

    def row(j: int) -> str:
        return f"{(end - 40 * step + kept[j] * step) % end},{RPMS[kept[j]]}"

    log = read(tmp_path, table(f"{header},rpm", row, count=len(kept)))
    assert log.rpm is not None
    assert log.rpm.values == pytest.approx(RPMS[kept])
    expected_s = (end + (np.array(kept) - 40) * step) / per_second
    assert log.rpm.t_s == pytest.approx(expected_s, rel=1e-12)
    assert log.cleaning.rollovers == 1
    assert any("passes its end 1 time(s)" in note for note in log.cleaning.notes)


def test_table__a_logger_started_again_is_no_wrap(tmp_path: Path) -> None:
    text = table("time (ms),rpm", lambda i: f"{(i + 20 if i < 20 else i - 20) * 100},{RPMS[i]}")
    log = read(tmp_path, text)
    assert log.cleaning.rollovers == 0
    assert log.cleaning.backward_steps == 20


@pytest.mark.parametrize("place", ["value", "time", "date", "header"])
def test_table__endless_digits_cost_nothing(tmp_path: Path, place: str) -> None:
    digits = "7" * 20_000
    cells = {"value": f"7.0,{digits}", "time": f"{digits},5", "date": f"2026-05-{digits},5"}
    text = table(
        digits + " " * 20_000 + ",x" if place == "header" else "time,rpm",
        lambda i: cells.get(place, "7,5") if i == 9 else f"{i},{RPMS[i]}",
    )
    start_s = process_time()
    if place == "header":
        with pytest.raises(InputError) as caught:
            read(tmp_path, text)
        assert len(str(caught.value)) < 1000
    else:
        assert len(read(tmp_path, text).channels[RPM]) == 59
    assert process_time() - start_s < 1.0


def test_table__a_huge_number_in_a_date(tmp_path: Path) -> None:
    text = table("utc,rpm", lambda i: f"2026-05-02T10:00:{i:02d}Z,{RPMS[i]}")
    log = read(tmp_path, text.replace("10:00:30Z", "10:00:30." + "1" * 20_000 + "Z"))
    assert log.rpm is not None
    assert len(log.rpm) == 59
    assert log.cleaning.unparsable == 1


@pytest.mark.parametrize("zone", ["CEST", "PST", "+9999"])
def test_table__named_zones_are_not_guessed(tmp_path: Path, zone: str) -> None:
    with pytest.raises(InputError, match="no date-time in column"):
        read(tmp_path, table("time,rpm", lambda i: f"2026-05-02 10:00:{i:02d} {zone},{RPMS[i]}"))


def test_table__names_of_months(tmp_path: Path) -> None:
    log = read(tmp_path, table("time,rpm", lambda i: f"2 May 2026 10:00:{i / 10:06.3f},{RPMS[i]}"))
    assert log.start_utc == START
    assert log.rpm is not None
    assert log.rpm.t_s == pytest.approx(T_S)


def test_table__speed_out_of_all_range_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no vehicle reaches"):
        read(tmp_path, table("t_s,speed_mps", lambda i: f"{i / 10},{5000 + i}"))
