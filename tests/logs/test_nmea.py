import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import InputError, UsageError
from overlay.logs import ALTITUDE, LATITUDE, LONGITUDE, read_log
from overlay.logs.model import Log

from .samples import ACCEL_MPS2, START, gga, hhmmss, rmc, sentence, truth, vtg

KNOT_MPS = 1852 / 3600
REAL = [
    "beidou-bd",
    "blumax-gps009",
    "bt451",
    "bundg_zeus_9",
    "gp-320fw-2019-04-07-coldboot",
    "humminbird-M37",
    "iTrek",
    "nmea-rtk",
    "quectelLC79D",
    "ublox-neo-m9n-nmea",
]


def read(folder: Path, text: str | bytes) -> Log:
    path = folder / "run.log"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_log(path)


def independent_count(data: bytes) -> tuple[int, list[tuple[bytes, bytes]], int]:
    """Bad checksums, (date, time) of each valid RMC with a speed, VTG with a speed: regex + XOR."""
    bad, fixes, vtgs = 0, [], 0
    for line in re.split(rb"[\r\n]+", data):
        if line.lstrip().startswith(b"#"):
            continue
        for body, digits in re.findall(rb"[$!]([ \"#%-)+-~]*)\*([0-9A-Fa-f]{2})", line):
            total = 0
            for byte in body:
                total ^= byte
            fields = body.split(b",")
            if total != int(digits, 16):
                bad += 1
            elif fields[0][2:] == b"RMC" and fields[2] == b"A" and fields[7]:
                fixes.append((fields[9], fields[1]))
            elif fields[0][2:] == b"VTG" and fields[5] and fields[-1] != b"N":
                vtgs += 1
    return bad, fixes, vtgs


@pytest.mark.parametrize("name", REAL)
def test_nmea__every_good_sentence_of_real_receivers_arrives(shared_data: Path, name: str) -> None:
    # Logs of real receivers from gpsd 3.22, test/daemon (BSD-2).
    path = shared_data / "nmea" / f"{name}.log"
    log = read_log(path)
    bad, fixes, vtgs = independent_count(path.read_bytes())
    found = log.cleaning
    assert log.format == "nmea"
    assert found.bad_checksums == bad
    assert log.speed is not None
    assert log.speed_source is not None
    repeated_rmc = len(fixes) - len(set(fixes))
    if log.speed_source.startswith("RMC"):
        arrived, sent = len(log.speed), len(set(fixes))
    else:
        arrived = len(log.speed) + found.duplicates - repeated_rmc + found.without_time
        sent = vtgs
    if found.backward_steps:
        assert arrived <= sent <= arrived + found.backward_steps
    else:
        assert arrived == sent
    if log.speed_source.startswith("RMC") and not found.backward_steps:
        assert log.start_utc is not None
        at = log.start_utc + timedelta(seconds=float(log.speed.t_s[-1]))
        day, clock = (field.decode() for field in fixes[-1])
        assert f"{at:%d%m%y}" == day
        assert f"{at:%H%M%S.%f}".startswith(clock.rstrip("0") if "." in clock else clock)


def test_nmea__published_facts_of_the_real_logs(shared_data: Path) -> None:
    # The logs' own comment lines state these (date, place, "time goes backward 194124 to 194111",
    # "part 3D fix, part RTK fix" with minutes between).
    def of(name: str) -> Log:
        return read_log(shared_data / "nmea" / f"{name}.log")

    zeus = of("bundg_zeus_9")
    assert zeus.start_utc is not None
    assert zeus.start_utc.date().isoformat() == "2018-08-20"
    assert zeus.channels[LATITUDE].values[0] == pytest.approx(52.85, abs=0.01)
    assert zeus.channels[LONGITUDE].values[0] == pytest.approx(5.31, abs=0.01)
    backward = of("humminbird-M37")
    assert backward.cleaning.backward_steps > 0
    assert any("step back" in note for note in backward.cleaning.notes)
    rtk = of("nmea-rtk")
    assert rtk.speed is not None
    assert rtk.speed.median_step_s == pytest.approx(0.1)
    assert len(rtk.cleaning.gaps_s) == 1
    cold = of("gp-320fw-2019-04-07-coldboot")
    assert cold.cleaning.void_fixes > 10
    assert cold.start_utc is not None
    assert cold.start_utc.date().isoformat() == "2019-04-07"


def test_nmea__speed_units_and_epochs(tmp_path: Path) -> None:
    t_s, speed_mps, lat_deg = truth()
    text = "".join(
        rmc(hhmmss(t), v / KNOT_MPS) + vtg(3.6 * v) + gga(hhmmss(t), lat_deg=lat)
        for t, v, lat in zip(t_s, speed_mps, lat_deg, strict=True)
    )
    log = read(tmp_path, text)
    assert log.start_utc == START
    assert log.speed is not None
    assert log.speed_source is not None
    assert log.speed_source.startswith("VTG")  # 0.001 km/h is finer than 0.01 kn
    assert "finer than RMC" in log.speed_source
    assert log.speed.t_s == pytest.approx(t_s)
    assert log.speed.values == pytest.approx(speed_mps, abs=2e-4)
    assert log.channels[LATITUDE].values == pytest.approx(lat_deg, abs=1e-6)
    assert log.channels[ALTITUDE].values[0] == 20.0
    assert log.cleaning.records_read == 180
    assert log.cleaning.records_kept == 60


@pytest.mark.parametrize("opens", [True, False], ids=["VTG opens", "VTG closes"])
def test_nmea__vtg_joins_the_instant_it_agrees_with(tmp_path: Path, opens: bool) -> None:
    t_s, speed_mps, _ = truth()
    parts = []
    for t, v in zip(t_s, speed_mps, strict=True):
        pair = [vtg(3.6 * v), rmc(hhmmss(t), v / KNOT_MPS)]
        parts += pair if opens else pair[::-1]
    log = read(tmp_path, "".join(parts))
    assert log.speed is not None
    assert log.speed_source is not None
    assert log.speed_source.startswith("VTG")
    assert log.speed.values == pytest.approx(ACCEL_MPS2 * log.speed.t_s, abs=2e-4)


def test_nmea__mixed_talkers_junk_and_damage(tmp_path: Path, rng: np.random.Generator) -> None:
    t_s, speed_mps, _ = truth()
    data = b"# a comment with $GPRMC,100000.00,A*00 in it\r\n"
    for i, (t, v) in enumerate(zip(t_s, speed_mps, strict=True)):
        line = rmc(hhmmss(t), v / KNOT_MPS, talker=("GP", "GN", "GL", "BD")[i % 4]).encode()
        if i == 10:
            line = line.replace(b",A,", b",B,", 1)
        if i == 20:
            line = line[:30] + b"\r\n"
        junk = bytes(rng.integers(128, 256, 40, dtype=np.uint8)) + b"\x00\x05\xb5b"
        data += junk + line + sentence("PXYZ,odd,1").encode()
    log = read(tmp_path, data)
    assert log.cleaning.bad_checksums == 1
    assert log.cleaning.unparsable == 1
    assert log.cleaning.records_read == 120
    assert log.cleaning.records_kept == 58


def test_nmea__void_fixes_are_left_out(tmp_path: Path) -> None:
    void = [
        sentence(f"GPRMC,{hhmmss(t)},V,,,,,,,161206,,,N") + gga(hhmmss(t), quality=0)
        for t in np.arange(5) * 0.1
    ]
    good = [rmc(hhmmss(1 + t), 5.0) for t in np.arange(20) * 0.1]
    log = read(tmp_path, "".join(void + good))
    assert log.cleaning.void_fixes == 5
    assert log.start_utc == START.replace(second=1)
    assert log.speed is not None
    assert len(log.speed) == 20


def test_nmea__midnight_without_dates(tmp_path: Path) -> None:
    _, _, lat_deg = truth()
    clocks = [f"2359{50 + i:02d}.00" if i < 10 else f"0000{i - 10:02d}.00" for i in range(60)]
    text = "".join(gga(c, lat_deg=lat) for c, lat in zip(clocks, lat_deg, strict=True))
    log = read(tmp_path, text)
    assert log.start_utc is None
    assert log.clock == "utc"
    assert log.cleaning.rollovers == 1
    assert log.cleaning.backward_steps == 0
    assert log.speed is not None
    assert log.speed_source == "positions"
    assert log.channels[LATITUDE].t_s == pytest.approx(np.arange(60.0))


def test_nmea__midnight_with_dates(tmp_path: Path) -> None:
    text = rmc("235959.50", 3.0, day="010526") + rmc("000000.00", 3.0) + rmc("000000.50", 3.0)
    log = read(tmp_path, text)
    assert log.speed is not None
    assert log.speed.t_s.tolist() == [0.0, 0.5, 1.0]
    assert log.cleaning.rollovers == 1
    assert log.start_utc == datetime(2026, 5, 1, 23, 59, 59, 500000, tzinfo=UTC)


@pytest.mark.parametrize("early_first", [True, False])
def test_nmea__gps_week_rollover(tmp_path: Path, early_first: bool) -> None:
    # 2026-05-02 less 1024 weeks is 2006-09-16.
    days = ["160906", "020526"] if early_first else ["020526", "160906"]
    text = "".join(rmc(hhmmss(i), 3.0, day=days[i >= 10]) for i in range(20))
    log = read(tmp_path, text)
    assert log.start_utc == START
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(20.0))
    assert log.cleaning.rollovers == 1
    assert any("week rollover" in note for note in log.cleaning.notes)


def test_nmea__one_wrong_date_costs_only_itself(tmp_path: Path) -> None:
    text = "".join(rmc(hhmmss(i), 3.0, day="070930" if i == 7 else "020526") for i in range(20))
    log = read(tmp_path, text)
    assert log.cleaning.backward_steps == 1
    assert log.cleaning.records_kept == 19


def test_nmea__sentences_without_checksums(tmp_path: Path) -> None:
    text = "".join(re.sub(r"\*..", "", rmc(hhmmss(i), 3.0)) for i in range(20))
    log = read(tmp_path, text)
    assert log.cleaning.records_kept == 20
    assert "no sentence has a checksum" in log.cleaning.notes[0]


def test_nmea__gns_and_zda(tmp_path: Path) -> None:
    text = "".join(
        sentence(f"GNGNS,{hhmmss(i)},5200.{i:04d},N,00030.0000,E,AA,12,0.8,30.5,45.0,,")
        + sentence(f"GNZDA,{hhmmss(i)},02,05,2026,00,00")
        for i in range(10)
    )
    log = read(tmp_path, text)
    assert log.start_utc == START
    assert log.channels[ALTITUDE].values[0] == 30.5
    assert log.speed is not None
    assert log.speed.values == pytest.approx(np.full(9, 1e-4 / 60 * 111_263), rel=1e-3)


def test_nmea__no_fix_at_all_still_reads_and_says_so(tmp_path: Path) -> None:
    text = "".join(sentence(f"GPRMC,{hhmmss(i)},V,,,,,,,020526,,,N") for i in range(10))
    log = read(tmp_path, text)
    assert log.speed is None
    assert log.cleaning.void_fixes == 10
    assert any("no valid fix" in note for note in log.cleaning.notes)


def test_nmea__without_any_time(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="carries a time"):
        read(tmp_path, vtg(3.0) * 5)


def test_nmea__takes_no_column_map(tmp_path: Path) -> None:
    path = tmp_path / "run.log"
    path.write_text(rmc("100000.00", 3.0))
    with pytest.raises(UsageError, match="no columns"):
        read_log(path, columns={"speed": "V:mph"})
