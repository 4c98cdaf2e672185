"""The exported speed, read back by the project's own log readers."""

import csv
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from overlay.errors import MismatchError, OutputError, UsageError
from overlay.logs import ALTITUDE, LATITUDE, LONGITUDE, read_log
from overlay.report.export import decimated, write_speed_csv, write_speed_gpx
from overlay.runs.model import Kinematics
from overlay.series import Series

START = datetime(2026, 5, 2, 10, 0, 0, 250_000, tzinfo=UTC)
GPX_11 = "{http://www.topografix.com/GPX/1/1}"


@pytest.fixture
def run() -> Kinematics:
    """A launch at v = 15 (1 - exp(-t / 3)) m/s on a 100 Hz grid, with a gap from 4 s to 5 s."""
    t_s = np.arange(801) / 100
    decay = np.exp(-t_s / 3)
    return Kinematics(
        t_s=t_s,
        speed_mps=15 * (1 - decay),
        accel_mps2=5 * decay,
        distance_m=15 * (t_s - 3 * (1 - decay)),
        speed_sigma_mps=np.full(801, 0.03),
        accel_sigma_mps2=np.full(801, 0.1),
        distance_sigma_m=np.full(801, 0.05),
        timing_sigma_s=0.008,
        known=(t_s < 4) | (t_s > 5),
    )


def positions(start_s: float = -2.0, end_s: float = 12.0, lon0: float = 0.5) -> dict[str, Series]:
    t_s = np.arange(start_s, end_s, 0.5)
    lon = (lon0 + 1e-5 * t_s + 180) % 360 - 180
    return {
        "latitude": Series(LATITUDE, t_s, 52.0 + 1e-5 * t_s),
        "longitude": Series(LONGITUDE, t_s, lon),
        "altitude": Series(ALTITUDE, t_s, 20.0 + t_s),
    }


def test_csv__has_its_columns_and_reads_back(tmp_path: Path, run: Kinematics) -> None:
    write_speed_csv(tmp_path / "speed.csv", run)
    rows = list(csv.DictReader((tmp_path / "speed.csv").read_text().splitlines()))
    assert list(rows[0]) == [
        "t_s",
        "speed_mps",
        "speed_sigma_mps",
        "accel_mps2",
        "distance_m",
        "known",
    ]
    assert len(rows) == 81
    log = read_log(tmp_path / "speed.csv")
    assert log.speed is not None
    assert log.clock == "elapsed"
    assert log.speed.values == pytest.approx(15 * (1 - np.exp(-log.speed.t_s / 3)), abs=6e-5)
    assert log.cleaning.unparsable == 0
    assert log.cleaning.gaps_s == ((pytest.approx(3.9), pytest.approx(5.1)),)


def test_csv__published_distances(tmp_path: Path, run: Kinematics) -> None:
    # Closed form of this launch: 18.288 m (60 ft) at 3.17974 s (computed reference value).
    write_speed_csv(tmp_path / "speed.csv", run, rate_hz=100)
    rows = [
        r
        for r in csv.DictReader((tmp_path / "speed.csv").read_text().splitlines())
        if r["known"] == "1"
    ]
    t_s = np.array([float(row["t_s"]) for row in rows])
    distance_m = np.array([float(row["distance_m"]) for row in rows])
    assert float(np.interp(18.288, distance_m, t_s)) == pytest.approx(3.17974, abs=1e-4)


def test_csv__uncertainty_has_the_share_of_the_timing(tmp_path: Path, run: Kinematics) -> None:
    # JCGM 100:2008, 5.1.2: u² = u_v² + (a u_t)².
    write_speed_csv(tmp_path / "speed.csv", run)
    log = read_log(tmp_path / "speed.csv")
    assert log.speed is not None
    assert log.speed.sigma is not None
    expected = np.sqrt(0.03**2 + (5 * np.exp(-log.speed.t_s / 3) * 0.008) ** 2)
    assert log.speed.sigma == pytest.approx(expected, abs=6e-5)


def test_csv__nothing_is_shown_inside_a_gap(tmp_path: Path, run: Kinematics) -> None:
    write_speed_csv(tmp_path / "speed.csv", run)
    hidden = [
        r
        for r in csv.DictReader((tmp_path / "speed.csv").read_text().splitlines())
        if r["known"] == "0"
    ]
    assert [float(row["t_s"]) for row in hidden] == pytest.approx(np.arange(40, 51) / 10)
    assert all(row["speed_mps"] == row["distance_m"] == "" for row in hidden)


@pytest.mark.parametrize(
    ("rate_hz", "count"), [(10.0, 81), (1.0, 9), (30.0, 241), (100.0, 801), (1e4, 801)]
)
def test_decimated__keeps_the_rate_and_the_grid(rate_hz: float, count: int) -> None:
    t_s = np.arange(801) / 100
    rows = decimated(t_s, rate_hz)
    assert len(rows) == count
    even = np.arange(count) / min(rate_hz, 100.0)
    assert np.max(np.abs(t_s[rows] - even)) <= 0.005 + 1e-9


@pytest.mark.parametrize("rate_hz", [0.0, -1.0, float("nan"), float("inf")])
def test_csv__rate_must_be_positive(tmp_path: Path, run: Kinematics, rate_hz: float) -> None:
    with pytest.raises(UsageError, match="positive"):
        write_speed_csv(tmp_path / "speed.csv", run, rate_hz=rate_hz)
    assert not list(tmp_path.iterdir())


def test_gpx__reads_back(tmp_path: Path, run: Kinematics) -> None:
    path = tmp_path / "speed.gpx"
    write_speed_gpx(path, run, start_utc=START, **positions())
    log = read_log(path)
    assert log.speed is not None
    assert log.speed_source == "speed element"
    assert log.start_utc == START
    assert log.speed.t_s.tolist() == [i / 10 for i in range(81) if not 40 <= i <= 50]
    assert log.speed.values == pytest.approx(15 * (1 - np.exp(-log.speed.t_s / 3)), abs=6e-5)
    latitude = log.channels[LATITUDE]
    assert latitude.values == pytest.approx(52 + 1e-5 * latitude.t_s, abs=2e-9)
    assert log.channels[ALTITUDE].values == pytest.approx(20 + latitude.t_s, abs=1e-3)


def test_gpx__is_valid_gpx_11(tmp_path: Path, run: Kinematics) -> None:
    # GPX 1.1 schema (topografix.com/GPX/1/1/gpx.xsd): version and creator are required; in a point
    # ele, time, extensions come in this order; extensions hold elements of other namespaces only.
    path = tmp_path / "speed.gpx"
    write_speed_gpx(path, run, start_utc=START, **positions())
    root = ElementTree.parse(path).getroot()
    assert root.tag == f"{GPX_11}gpx"
    assert root.attrib["version"] == "1.1"
    assert root.attrib["creator"] == "Timetrue"
    assert len(root.findall(f"{GPX_11}trk/{GPX_11}trkseg")) == 2  # the gap parts them
    points = root.findall(f".//{GPX_11}trkpt")
    assert len(points) == 70
    for point in points:
        assert [child.tag.removeprefix(GPX_11) for child in point] == ["ele", "time", "extensions"]
        (speed,) = point[2]
        assert speed.tag.endswith("}speed")
        assert not speed.tag.startswith(GPX_11)


def test_gpx__times_are_utc_whatever_the_zone(tmp_path: Path, run: Kinematics) -> None:
    from datetime import timezone

    path = tmp_path / "speed.gpx"
    local = START.astimezone(timezone(timedelta(hours=-4)))
    write_speed_gpx(path, run, start_utc=local, **positions())
    assert "<time>2026-05-02T10:00:00.250000Z</time>" in path.read_text()


def test_gpx__positions_are_not_drawn_across_gaps_or_beyond(
    tmp_path: Path, run: Kinematics
) -> None:
    path = tmp_path / "speed.gpx"
    place = positions(1.0, 7.0)
    holed = {
        name: replace(s, t_s=np.delete(s.t_s, [3, 4, 5]), values=np.delete(s.values, [3, 4, 5]))
        for name, s in place.items()
    }
    write_speed_gpx(path, run, start_utc=START, **holed)
    log = read_log(path)
    assert log.speed is not None
    footage_s = np.round(log.speed.t_s + 1.0, 6)
    assert footage_s[0] == 1.0
    assert footage_s[-1] == 6.5
    assert not np.any((footage_s > 2.0) & (footage_s < 4.0))


def test_gpx__over_the_180th_meridian_and_near_the_equator(tmp_path: Path, run: Kinematics) -> None:
    path = tmp_path / "speed.gpx"
    place = positions(lon0=179.99997)
    latitude = place["latitude"]
    place["latitude"] = replace(latitude, values=latitude.values - 52.0)
    write_speed_gpx(path, run, start_utc=START, **place)
    log = read_log(path)
    longitude = log.channels[LONGITUDE].values
    assert np.min(np.abs(longitude)) > 179.9999
    assert np.min(longitude) < 0 < np.max(longitude)
    assert log.channels[LATITUDE].values[:2] == pytest.approx([0.0, 1e-6], abs=1e-9)


@pytest.mark.parametrize("missing", ["latitude", "longitude", "utc", "overlap"])
def test_gpx__says_what_the_log_lacks(tmp_path: Path, run: Kinematics, missing: str) -> None:
    place: dict[str, Series | None] = dict(positions(100.0 if missing == "overlap" else -2, 120.0))
    if missing in place:
        place[missing] = None
    told = {"utc": "no date and time in UTC", "overlap": "no position falls"}
    start = None if missing == "utc" else START
    with pytest.raises(MismatchError, match=told.get(missing, "no positions")):
        write_speed_gpx(tmp_path / "speed.gpx", run, start_utc=start, **place)  # type: ignore[arg-type]
    assert not list(tmp_path.iterdir())


def test_export__says_when_it_cannot_write(tmp_path: Path, run: Kinematics) -> None:
    with pytest.raises(OutputError, match="no such folder"):
        write_speed_csv(tmp_path / "none" / "speed.csv", run)
    with pytest.raises(OutputError, match="no such folder"):
        write_speed_gpx(tmp_path / "none" / "speed.gpx", run, start_utc=START, **positions())
