"""Logs that people carry: FIT, timed text, GPX of phones and watches, vehicle diagnostics."""

from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import InputError, TimetrueError, UsageError
from overlay.logs import ALTITUDE, LATITUDE, LONGITUDE, RPM, read_log
from overlay.logs.headers import recognised
from overlay.logs.model import Log

from .carried import captions, crc, fit
from .samples import START, gpx, table, truth


def read(folder: Path, data: str | bytes, name: str = "run.log", **options: object) -> Log:
    path = folder / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return read_log(path, **options)  # type: ignore[arg-type]


def test_fit__the_protocols_own_check_value() -> None:
    # CRC-16/ARC of "123456789" is BB3D in the published catalogue of parametrised CRCs.
    assert crc(b"123456789") == 0xBB3D


def test_fit__records(tmp_path: Path) -> None:
    log = read(tmp_path, fit(gap=range(30, 40)))
    assert log.format == "fit"
    assert log.clock == "utc"
    assert log.start_utc == START
    assert log.speed is not None
    kept = np.r_[0:30, 40:60]
    assert log.speed.t_s == pytest.approx(kept)
    assert log.speed.values == pytest.approx(0.3 * kept, abs=6e-4)
    assert log.channels[LATITUDE].values[0] == pytest.approx(52.0, abs=1e-7)
    assert log.channels[LONGITUDE].values[0] == pytest.approx(0.5, abs=1e-7)
    assert log.channels[ALTITUDE].values[0] == pytest.approx(20.0)
    assert log.cleaning.gaps_s == ((29.0, 40.0),)
    assert log.cleaning.notes == ()


def test_fit__without_speed_positions_serve(tmp_path: Path) -> None:
    log = read(tmp_path, fit(with_speed=False))
    assert log.speed_source == "positions"
    assert log.speed is not None
    t_s = np.arange(59) + 0.5
    assert log.speed.t_s == pytest.approx(t_s)
    assert log.speed.values == pytest.approx(0.3 * t_s, abs=0.02)


def test_fit__cut_off_and_flipped(tmp_path: Path, rng: np.random.Generator) -> None:
    data = fit()
    log = read(tmp_path, data[: len(data) * 2 // 3])
    assert log.speed is not None
    assert 30 < len(log.speed) < 45
    assert "the file is damaged" in log.cleaning.notes[0]
    with pytest.raises(InputError, match="none of its 0 records"):
        read(tmp_path, data[:40])
    for _ in range(150):
        broken = np.frombuffer(data, np.uint8).copy()
        places = rng.integers(0, len(data), 5)
        broken[places] = rng.integers(0, 256, 5)
        with suppress(TimetrueError):
            assert read(tmp_path, broken.tobytes()).channels


@pytest.mark.parametrize("web", [False, True], ids=["SubRip", "WebVTT"])
@pytest.mark.parametrize(
    "line",
    [
        lambda i, v: f"Speed: {3.6 * v:.3f} km/h, heading 12",
        lambda i, v: f"<b>GPS speed = {v:.4f}m/s</b> altitude: 20",
        lambda i, v: f"{v / 0.44704:.4f} mph",
        lambda i, v: f"[latitude: 52.1] [longitude: 0.5] [H.S: {v:.4f} m/s] [V.S: 9 m/s]",
        lambda i, v: f"lap {i}\nVELOCITY: {v / 0.3048:.4f} ft/s\nrpm: {1800 + i}",
    ],
)
def test_captions__speed_by_its_words_and_unit(tmp_path: Path, line: object, web: bool) -> None:
    log = read(tmp_path, captions(line, web=web))
    assert log.format == "captions"
    assert log.clock == "footage"
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(60) / 10)
    assert log.speed.values == pytest.approx(0.3 * np.arange(60), abs=1e-3)
    if RPM in log.channels:
        assert log.channels[RPM].values == pytest.approx(1800 + np.arange(60))


def test_captions__units_are_never_guessed_and_words_can_be_mapped(tmp_path: Path) -> None:
    text = captions(lambda i, v: f"Speed: {3.6 * v:.3f} tempo: 7")
    with pytest.raises(InputError, match='such as speed="speed:km/h"'):
        read(tmp_path, text)
    for columns in ({"speed": "speed:km/h"}, {"speed": "Speed:km/h"}):
        log = read(tmp_path, text, columns=columns)
        assert log.speed is not None
        assert log.speed.values == pytest.approx(0.3 * np.arange(60), abs=1e-3)
    assert log.columns == "speed 'speed'"
    with pytest.raises(UsageError, match="is no unit"):
        read(tmp_path, text, columns={"speed": "speed:furlong"})
    with pytest.raises(InputError, match="none of its 60 lines of timed text"):
        read(tmp_path, captions(lambda i, v: "a fine morning"))


WATCHES = {
    "nested with other things": (
        '<extensions><w:TrackPointExtension xmlns:w="urn:example:w"><w:atemp>21</w:atemp>'
        "<w:hr>141</w:hr><w:cad>82</w:cad><w:speed>{v}</w:speed></w:TrackPointExtension>"
        "</extensions>"
    ),
    "attribute": '<extensions><p:fix xmlns:p="urn:example:p" speed="{v}" n="3"/></extensions>',
    "comment": "<cmt>Speed: {v} m/s; sats=9</cmt>",
    "description in km/h": "<desc>speed={kmh} km/h</desc>",
    "unit attribute": '<extensions><speed uom="m/s" unit="km/h">{kmh}</speed></extensions>',
}


@pytest.mark.parametrize("kind", WATCHES)
def test_gpx__speeds_of_phones_and_watches(tmp_path: Path, kind: str) -> None:
    form = WATCHES[kind]
    log = read(tmp_path, gpx(lambda i, v: form.format(v=f"{v:.4f}", kmh=f"{3.6 * v:.4f}")))
    assert log.speed_source == "speed element"
    assert log.speed is not None
    assert log.speed.values == pytest.approx(truth()[1], abs=1e-3)


@pytest.mark.parametrize(
    ("header", "role"),
    [
        ("Engine RPM(rpm)", ("rpm", "rpm")),
        ("EngineSpeed", ("rpm", "rpm")),
        ("Drehzahl (1/min)", ("rpm", "rpm")),
        ("Speed (OBD)(km/h)", ("speed", "km/h")),
        ("Vehicle Speed (km/h)", ("speed", "km/h")),
        ("VSS (kph)", ("speed", "km/h")),
        ("GPS Speed (Meters/second)", ("speed", "m/s")),
        ("Geschwindigkeit [km/h]", ("speed", "km/h")),
        ("Vitesse (km/h)", ("speed", "km/h")),
        ("WheelBasedVehicleSpeed (km/h)", ("wheel_speed", "km/h")),
        ("Device Time", ("time", None)),
        ("Time (sec)", ("time", "s")),
        ("Time of Day", ("time", None)),
        ("Zeit (s)", ("time", "s")),
        ("0-60mph Time(s)", None),
        ("Time since engine start (s)", None),
        ("Average trip speed(whilst moving only)(km/h)", None),
        ("Engine Coolant Temperature (°C)", None),
    ],
)
def test_headers__vehicle_diagnostics(header: str, role: tuple[str, str | None] | None) -> None:
    # Usual headers of vehicle diagnostics: common practice, no source.
    assert recognised(header) == role


def test_table__a_phones_diagnostics_log(tmp_path: Path) -> None:
    head = (
        "GPS Time,Device Time,Longitude,Latitude,GPS Speed (Meters/second),Horizontal Dilution of "
        "Precision,G(x),Speed (OBD)(km/h),Engine RPM(rpm)"
    )

    def row(i: int) -> str:
        t = START + timedelta(seconds=i / 10)
        return (
            f"Sat May 02 10:00:{t.second:02d} GMT 2026,{t:%d-%b-%Y %H:%M:%S}.{i % 10}00,0.5,52,"
            f"{0.3 * i:.3f},0.9,-0.1,{round(1.08 * i)},{900 + 30 * i}"
        )

    log = read(tmp_path, table(head, row))
    assert log.clock == "utc"
    assert log.start_utc == START
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(60) / 10)
    assert log.speed.values == pytest.approx(0.3 * np.arange(60), abs=1e-3)
    assert log.channels[RPM].values == pytest.approx(900 + 30 * np.arange(60))
    assert log.columns is not None
    assert log.columns.startswith("time 'Device Time', lon 'Longitude'")


@pytest.mark.parametrize("delimiter", [";", ","])
def test_table__one_value_a_row(tmp_path: Path, delimiter: str) -> None:
    def row(i: int) -> str:
        name, value, unit = (
            ("Engine RPM", f"{900 + 30 * i}", "rpm"),
            ("Vehicle speed", f"{0.5 * i:.1f}", "km/h"),
            ("Intake air", "21", "°C"),
        )[i % 3]
        return delimiter.join((f"{i / 10:.2f}", name, value, unit))

    log = read(tmp_path, table(delimiter.join(("SECONDS", "PID", "VALUE", "UNITS")), row))
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(1, 60, 3) / 10)
    assert log.speed.values == pytest.approx(0.5 * np.arange(1, 60, 3) / 3.6)
    assert log.channels[RPM].t_s == pytest.approx(np.arange(0, 60, 3) / 10)
    assert log.channels[RPM].values == pytest.approx(900 + 30 * np.arange(0, 60, 3))
