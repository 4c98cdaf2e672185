from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import InputError, UsageError
from overlay.logs import ALTITUDE, LONGITUDE, RPM, WHEEL_SPEED, read_log
from overlay.logs.headers import recognised, split_unit
from overlay.logs.model import Log

from .samples import START, table

# Metres per second in one unit: exact by definition (international foot and mile of 1959, the
# nautical mile of 1852 m).
UNIT_MPS = {
    "mph": 0.44704,
    "km/h": 1 / 3.6,
    "m/s": 1.0,
    "kn": 1852 / 3600,
    "ft/s": 0.3048,
}


def read(folder: Path, text: str | bytes, **options: object) -> Log:
    path = folder / "run.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_log(path, **options)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("speed (mph)", "mph"),
        ("speed_mps", "m/s"),
        ("Speed [km/h]", "km/h"),
        ("GPS Speed (kn)", "kn"),
        ("GPS Speed (knots)", "kn"),
        ("speed_kmh", "km/h"),
        ("Speed (kph)", "km/h"),
        ("Speed (ft/s)", "ft/s"),
        ("Ground speed m/s", "m/s"),
        ("gps_speed_mph", "mph"),
        ("Velocity {MPH}", "mph"),
        ("groundSpeed (m/s)", "m/s"),
        ("V (km/h)", "km/h"),
        ("SpeedKmh", "km/h"),
        ("speed-mph", "mph"),
        ("SOG (kn)", "kn"),
    ],
)
def test_table__speed_units_in_headers(tmp_path: Path, header: str, unit: str) -> None:
    log = read(tmp_path, table(f"t_s,{header}", lambda i: f"{i / 10:.1f},{i}"))
    assert log.speed is not None
    assert log.speed.values == pytest.approx(np.arange(60) * UNIT_MPS[unit])
    assert log.speed_source == f"column {header!r}"


@pytest.mark.parametrize("header", ["speed", "GPS Speed", "speed_ms", "Speed (furlong)", "V"])
def test_table__a_speed_without_unit_is_never_guessed(tmp_path: Path, header: str) -> None:
    with pytest.raises(InputError, match="never guessed") as caught:
        read(tmp_path, table(f"t_s,{header},rpm", lambda i: f"{i / 10:.1f},{i},1800"))
    assert "run.csv, line 1" in str(caught.value)
    assert "(km/h)" in str(caught.value)


@pytest.mark.parametrize(
    "header", ["rpm", "RPM", "engine_rpm", "Engine speed (rpm)", "Rev (1/min)"]
)
def test_table__rpm_only(tmp_path: Path, header: str) -> None:
    log = read(tmp_path, table(f"time (s),{header}", lambda i: f"{i / 50:.2f},{1800 + i}"))
    assert log.speed is None
    assert log.rpm is not None
    assert log.rpm.values == pytest.approx(1800 + np.arange(60))


def test_table__elapsed_times_stay_as_they_are(tmp_path: Path) -> None:
    log = read(tmp_path, table("t_s,speed_mps", lambda i: f"{-1.2345 + i / 10:.4f},{i}"))
    assert log.clock == "elapsed"
    assert log.start_utc is None
    assert log.speed is not None
    assert log.speed.t_s.tolist() == [float(f"{-1.2345 + i / 10:.4f}") for i in range(60)]


@pytest.mark.parametrize(
    ("header", "scale"),
    [("time (ms)", 1e3), ("t_us", 1e6), ("time [min]", 1 / 60), ("Time (h)", 1 / 3600)],
)
def test_table__time_units(tmp_path: Path, header: str, scale: float) -> None:
    text = table(f"{header},speed_mps", lambda i: f"{(5 + i / 10) * scale:.9f},{i}")
    log = read(tmp_path, text)
    assert log.clock == "elapsed"
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(5 + np.arange(60) / 10, abs=1e-5)


def test_table__time_without_unit_that_cannot_be_seconds(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not say its unit and steps by 100"):
        read(tmp_path, table("time,speed_mps", lambda i: f"{i * 100},{i}"))


STAMPS = {
    "iso": ("utc", lambda t: t.isoformat(timespec="milliseconds").replace("+00:00", "Z")),
    "iso with zone": (
        "timestamp",
        lambda t: (t + timedelta(hours=2)).strftime("%Y-%m-%dT%H:%M:%S.%f+02:00"),
    ),
    "iso with space": ("Date Time", lambda t: t.strftime("%Y-%m-%d %H:%M:%S.%f")),
    "iso basic": ("utc", lambda t: t.strftime("%Y%m%dT%H%M%S.%fZ")),
    "half days": ("time", lambda t: t.strftime("%Y-%m-%d %I:%M:%S.%f %p")),
    "day first": ("time", lambda t: t.strftime("%d.%m.%Y %H:%M:%S.%f")),
    "epoch s": ("timestamp", lambda t: f"{t.timestamp():.3f}"),
    "epoch ms": ("time", lambda t: f"{t.timestamp() * 1000:.0f}"),
    "epoch s with unit": ("unix time (s)", lambda t: f"{t.timestamp():.3f}"),
}


@pytest.mark.parametrize("kind", STAMPS)
def test_table__utc_clocks(tmp_path: Path, kind: str) -> None:
    header, stamp = STAMPS[kind]
    start = START + timedelta(milliseconds=300)
    text = table(
        f"{header},speed_mps", lambda i: f"{stamp(start + timedelta(milliseconds=100 * i))},{i}"
    )
    log = read(tmp_path, text)
    assert log.clock == "utc"
    assert log.start_utc is not None
    assert abs(log.start_utc - start) < timedelta(microseconds=2)
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(60) / 10, abs=2e-6)


def test_table__local_times_and_their_offset(tmp_path: Path) -> None:
    text = table("time,speed_mps", lambda i: f"2026-05-02 11:00:{i:02d},{i}")
    assert read(tmp_path, text, utc_offset_h=1.0).start_utc == START
    with pytest.raises(UsageError, match="between"):
        read(tmp_path, text, utc_offset_h=30.0)


def test_table__date_and_time_columns_pass_midnight(tmp_path: Path) -> None:
    start = datetime(2026, 5, 1, 23, 59, 58, tzinfo=UTC)

    def row(i: int) -> str:
        t = start + timedelta(milliseconds=100 * i)
        return f"{t:%Y-%m-%d},{t:%H:%M:%S.%f},{i}"

    log = read(tmp_path, table("Date,Time,speed_mps", row))
    assert log.start_utc == start
    assert log.cleaning.rollovers == 1
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(60) / 10)


def test_table__time_of_day_counts_from_midnight_and_wraps(tmp_path: Path) -> None:
    def row(i: int) -> str:
        seconds = (86398.5 + i / 10) % 86400
        return f"{int(seconds // 3600):02d}:{int(seconds // 60 % 60):02d}:{seconds % 60:06.3f},{i}"

    log = read(tmp_path, table("time,speed_mps", row))
    assert log.clock == "elapsed"
    assert log.cleaning.rollovers == 1
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(86398.5 + np.arange(60) / 10)


def test_table__ambiguous_dates_are_not_guessed(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="day/month or month/day"):
        read(tmp_path, table("time,speed_mps", lambda i: f"02/05/2026 10:00:{i:02d},{i}"))


def test_table__epoch_survives_a_wild_time(tmp_path: Path) -> None:
    text = table(
        "timestamp,rpm", lambda i: f"{(1777716000 + i) * (9 if i == 30 else 1)},{1800 + i}"
    )
    log = read(tmp_path, text)
    assert log.rpm is not None
    assert len(log.rpm) == 59
    assert log.cleaning.unparsable == 1


LAYOUTS = {
    "comma": ("t_s,speed_kmh,rpm", ",", "."),
    "semicolon": ("t_s;speed_kmh;rpm", ";", "."),
    "semicolon, decimal comma": ("t_s;Speed [km/h];rpm", ";", ","),
    "tab": ("t_s\tspeed_kmh\trpm", "\t", "."),
    "tab, decimal comma": ("t_s\tspeed_kmh\trpm", "\t", ","),
    "spaces": ("t_s speed_kmh rpm", "  ", "."),
}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["lf", "crlf", "cr"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_table__layouts(tmp_path: Path, layout: str, end: str, encoding: str) -> None:
    header, delimiter, point = LAYOUTS[layout]
    text = table(
        header,
        lambda i: delimiter.join(
            (f"{i / 10:.1f}".replace(".", point), f"{i * 0.36:.2f}".replace(".", point), "1800")
        ),
        end=end,
    )
    log = read(tmp_path, text.encode(encoding))
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(60) / 10)
    assert log.speed.values == pytest.approx(np.arange(60) / 10, abs=2e-3)
    assert log.rpm is not None
    assert log.cleaning.unparsable == 0


def test_table__preamble_comments_and_units_row(tmp_path: Path) -> None:
    text = (
        "Village cyclekart club\nDate of session;2 May 2026;;\n# logger 7\n\n"
        + table("Time;GPS Speed;RPM;Gear", lambda i: f"{i / 10:.1f};{i};{1800 + i};1")
    ).replace("Gear\n", "Gear\n[s];[mph];[rpm];-\n# start of data\n")
    log = read(tmp_path, text)
    assert log.speed is not None
    assert log.speed.values == pytest.approx(np.arange(60) * 0.44704)
    assert log.rpm is not None
    assert log.cleaning.records_read == 60
    assert log.cleaning.notes == ()


def test_table__facts_before_the_table_are_not_its_data(tmp_path: Path) -> None:
    text = "Session,5\nLaps,1\n" + table("time (s),speed (mph),rpm", lambda i: f"{i / 10},{i},1800")
    log = read(tmp_path, text)
    assert log.rpm is not None
    assert log.cleaning.records_read == 60


def test_table__marks_of_missing_values_are_no_damage(tmp_path: Path) -> None:
    text = table("t_s,rpm", lambda i: f"{i / 10:.1f},{1800 if i % 5 == 0 else 'NaN'}")
    log = read(tmp_path, text)
    assert log.rpm is not None
    assert len(log.rpm) == 12
    assert log.cleaning.unparsable == 0


def test_table__header_behind_a_comment_sign(tmp_path: Path) -> None:
    # numpy.savetxt writes headers so.
    np.savetxt(
        tmp_path / "a.csv",
        np.column_stack([np.arange(30) / 10, np.arange(30.0)]),
        delimiter=",",
        header="t_s,speed_mps",
    )
    log = read_log(tmp_path / "a.csv")
    assert log.speed is not None
    assert len(log.speed) == 30


def test_table__quoted_cells_and_grouped_thousands(tmp_path: Path) -> None:
    text = table(
        '"time (s)","engine, rpm","note"', lambda i: f'"{i / 10:.1f}","1,{800 + i}","a, b"'
    )
    log = read(tmp_path, text)
    assert log.rpm is not None
    assert log.rpm.values == pytest.approx(1800 + np.arange(60))


def test_table__wheel_speed_is_its_own_channel(tmp_path: Path) -> None:
    text = table(
        "t_s,wheel speed (km/h),gps speed (km/h),speed accuracy (km/h),lon,altitude (ft),lat",
        lambda i: f"{i / 10:.1f},{i + 3.6},{i},0.5,0.5,100,{52 + i * i * 1.25e-8:.9f}",
    )
    log = read(tmp_path, text)
    assert log.speed is not None
    assert log.speed.values == pytest.approx(np.arange(60) / 3.6)
    assert log.channels[WHEEL_SPEED].values == pytest.approx(np.arange(60) / 3.6 + 1)
    assert log.channels[ALTITUDE].values == pytest.approx(np.full(60, 30.48))
    assert len(log.channels[LONGITUDE]) == 60


def test_table__receiver_speed_goes_before_others(tmp_path: Path) -> None:
    text = table("t_s,speed_kmh,gps_speed_mps", lambda i: f"{i / 10:.1f},99,{i}")
    log = read(tmp_path, text)
    assert log.speed_source == "column 'gps_speed_mps'"
    assert log.cleaning.notes == ("'gps_speed_mps' is taken for speed; 'speed_kmh' not used",)


def test_table__sparse_channels_keep_their_own_times(tmp_path: Path) -> None:
    text = table(
        "t_s,rpm,speed_mps", lambda i: f"{i / 100:.2f},{1800 + i},{i if i % 10 == 0 else ''}"
    )
    log = read(tmp_path, text)
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(6) / 10)
    assert len(log.channels[RPM]) == 60


def test_table__column_map(tmp_path: Path) -> None:
    text = table("T,V,N", lambda i: f"{i * 100},{i},{1800 + i}")
    log = read(tmp_path, text, columns={"time": "T:ms", "speed": "v:mph", "rpm": "N"})
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(60) / 10)
    assert log.speed.values == pytest.approx(np.arange(60) * 0.44704)
    assert log.rpm is not None


def test_table__column_map_with_units_of_the_file(tmp_path: Path) -> None:
    text = table("t_s,left (km/h),gps: best (mph)", lambda i: f"{i / 10:.1f},{i},{i}")
    by_header = read(tmp_path, text, columns={"speed": "left (km/h)"})
    assert by_header.speed is not None
    assert by_header.speed.values == pytest.approx(np.arange(60) / 3.6)
    with_colon = read(tmp_path, text, columns={"speed": "gps: best (mph)"})
    assert with_colon.speed is not None
    assert with_colon.speed.values == pytest.approx(np.arange(60) * 0.44704)


def test_table__without_header_columns_go_by_number(tmp_path: Path) -> None:
    text = table("0.0,0", lambda i: f"{(i + 1) / 10:.1f},{i + 1}", count=30)
    log = read(tmp_path, text, columns={"time": "1:s", "speed": "2:km/h"})
    assert log.speed is not None
    assert len(log.speed) == 31
    with pytest.raises(InputError, match="no header"):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("columns", "told"),
    [
        ({"speed": "vv:mph"}, "no column 'vv'"),
        ({"speed": "X:mph"}, "no column 'X'; it has T, V"),
        ({"speed": "V:furlong"}, "'furlong' is no unit for speed"),
        ({"speed": "V:s"}, "'s' is no unit for speed"),
        ({"pace": "V"}, "'pace' is no channel"),
    ],
)
def test_table__wrong_column_maps(tmp_path: Path, columns: dict[str, str], told: str) -> None:
    with pytest.raises(UsageError, match=told):
        read(tmp_path, table("T,V", lambda i: f"{i},{i}"), columns=columns)


def test_table__slow_positions_in_a_fast_file(tmp_path: Path) -> None:
    # 10 Hz rows of a receiver that measures once a second, at a steady 1e-4 degrees a second.
    text = table(
        "t_s,lat,lon", lambda i: f"{i / 10:.1f},{52 + (i // 10) * 1e-4:.6f},0.5", count=200
    )
    log = read(tmp_path, text)
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(19) + 0.5)
    assert log.speed.values == pytest.approx(np.full(19, 11.127), abs=1e-3)
    assert any("positions repeat: only 20 of 200" in note for note in log.cleaning.notes)


def test_table__a_cut_off_last_row_is_counted(tmp_path: Path) -> None:
    text = table("t_s,rpm,speed_mps", lambda i: f"{i / 10:.1f},1800,{i}")
    log = read(tmp_path, text + "6.")
    assert log.cleaning.unparsable == 1
    assert log.cleaning.records_kept == 60


def test_table__bad_cells_are_counted(tmp_path: Path) -> None:
    text = table("t_s,rpm", lambda i: f"{i / 10:.1f},{'oops' if i in (5, 9) else 1800 + i}")
    log = read(tmp_path, text)
    assert log.cleaning.unparsable == 2
    assert log.cleaning.records_kept == 58


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a club\nof friends\n", "no table found"),
        ("t_s,speed_mps\n", "no table found"),
        ("\n\n \n", "no text"),
        (table("t_s,gear", lambda i: f"{i},2"), "no column of speed, RPM or position"),
        (table("speed_mps,rpm", lambda i: f"{i},1800"), "no time column"),
        (table("t_s,rpm", lambda i: f"{i},n/a"), "no number"),
    ],
)
def test_table__useless_files_are_refused_in_one_line(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(InputError, match=told) as caught:
        read(tmp_path, text)
    assert "run.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_split_unit__leaves_plain_names_alone() -> None:
    assert split_unit("Speed") == ("Speed", None)
    assert split_unit("speed_limit_mph") == ("speed_limit", "mph")
    assert recognised("speed_limit_mph") is None
    assert recognised("wheel_rpm") is None
    assert recognised("lap time (s)") is None


def test_table__a_real_car(shared_data: Path, tmp_path: Path) -> None:
    # One minute of comma2k19 Example_1 (MIT): the receiver's speed lags wheel speed by 0.16 s with
    # an rms of 0.076 m/s, by a best fit of a pure delay, as published with the data.
    gnss = read_log(shared_data / "car60" / "gnss.csv")
    wheel = read_log(shared_data / "car60" / "wheel_speed.csv")
    assert gnss.speed is not None
    assert wheel.speed is not None
    delays_s = np.arange(0, 0.5, 0.01)
    rms = []
    for delay_s in delays_s:
        true_mps = wheel.speed.at(gnss.speed.t_s - delay_s)
        inside = np.isfinite(true_mps)
        gain, offset = np.polyfit(true_mps[inside], gnss.speed.values[inside], 1)
        rms.append(np.std(gnss.speed.values[inside] - gain * true_mps[inside] - offset))
    assert delays_s[np.argmin(rms)] == pytest.approx(0.16, abs=0.015)
    assert min(rms) == pytest.approx(0.076, abs=0.005)
    # Positions alone must give the same way as the receiver's own speed.
    source = (shared_data / "car60" / "gnss.csv").read_text().splitlines()
    only_positions = "\n".join(",".join(line.split(",")[:3]) for line in source)
    moved = read(tmp_path, only_positions)
    assert moved.speed is not None
    assert moved.speed_source == "positions"
    steps_s = np.diff(gnss.speed.t_s)
    by_positions_m = float(np.sum(moved.speed.values * steps_s))
    middles = (gnss.speed.values[1:] + gnss.speed.values[:-1]) / 2
    assert by_positions_m == pytest.approx(float(np.sum(middles * steps_s)), rel=0.01)
