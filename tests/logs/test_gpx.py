import re
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import InputError
from overlay.logs import ALTITUDE, LATITUDE, RPM, read_log
from overlay.logs.model import Log

from .samples import ACCEL_MPS2, START, gpx, truth


def read(folder: Path, text: str | bytes) -> Log:
    path = folder / "run.gpx"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    before = path.read_bytes()
    log = read_log(path)
    assert path.read_bytes() == before
    return log


PLACES = {
    "GPX 1.0 element": ("1.0", "<speed>{v}</speed>"),
    "loose in GPX 1.1": ("1.1", "<speed>{v}</speed>"),
    "plain extension": ("1.1", "<extensions><speed>{v}</speed></extensions>"),
    "namespaced": ("1.1", "<extensions><club:speed>{v}</club:speed></extensions>"),
    "nested": (
        "1.1",
        "<extensions><club:point><club:more><club:Speed> {v} </club:Speed></club:more>"
        "</club:point></extensions>",
    ),
    "extension in GPX 1.0": ("1.0", "<extensions><club:speed>{v}</club:speed></extensions>"),
    "foreign element in GPX 1.0": ("1.0", "<club:speed>{v}</club:speed>"),
    "own namespace declared in place": (
        "1.1",
        '<extensions><z:speed xmlns:z="urn:example:z">{v}</z:speed></extensions>',
    ),
}


@pytest.mark.parametrize("place", PLACES)
def test_gpx__finds_speed_wherever_it_stands(tmp_path: Path, place: str) -> None:
    version, inner = PLACES[place]
    log = read(tmp_path, gpx(lambda i, v: inner.format(v=f"{v:.3f}"), version=version))
    t_s, speed_mps, lat_deg = truth()
    assert log.format == "gpx"
    assert log.clock == "utc"
    assert log.start_utc == START
    assert log.speed is not None
    assert log.speed_source == "speed element"
    assert log.extra_lag_s == 0
    assert log.speed.t_s == pytest.approx(t_s, abs=1e-9)
    assert log.speed.values == pytest.approx(speed_mps, abs=6e-4)
    assert log.channels[LATITUDE].values == pytest.approx(lat_deg, abs=1e-9)
    assert log.channels[ALTITUDE].values == pytest.approx(np.full(60, 20.0))
    assert log.cleaning.records_read == log.cleaning.records_kept == 60
    assert log.cleaning.notes == ()


def test_gpx__speed_unit_attribute_is_obeyed(tmp_path: Path) -> None:
    inner = '<extensions><club:speed unit="km/h">{v}</club:speed></extensions>'
    log = read(tmp_path, gpx(lambda i, v: inner.format(v=f"{3.6 * v:.3f}")))
    assert log.speed is not None
    assert log.speed.values == pytest.approx(truth()[1], abs=6e-4)


def test_gpx__wrong_unit_is_told_by_the_positions(tmp_path: Path) -> None:
    log = read(tmp_path, gpx(lambda i, v: f"<speed>{3.6 * v:.3f}</speed>", version="1.0"))
    (note,) = log.cleaning.notes
    assert "3.60 times" in note
    assert "km/h" in note


def test_gpx__rpm_extension(tmp_path: Path) -> None:
    inner = (
        "<extensions><club:e><club:rpm>{r}</club:rpm><club:cad>9</club:cad></club:e></extensions>"
    )
    log = read(tmp_path, gpx(lambda i, v: inner.format(r=1800 + 50 * i)))
    assert log.rpm is not None
    assert log.channels[RPM].values == pytest.approx(1800 + 50 * np.arange(60))


def test_gpx__speed_from_positions_adds_no_lag(tmp_path: Path) -> None:
    log = read(tmp_path, gpx())
    assert log.speed is not None
    assert log.speed_source == "positions"
    assert log.extra_lag_s == 0
    # The mean speed of an interval under constant acceleration is the speed at its middle.
    assert log.speed.t_s == pytest.approx(np.arange(59) * 0.1 + 0.05)
    assert log.speed.values == pytest.approx(ACCEL_MPS2 * log.speed.t_s, abs=2e-3)
    assert any("middle of each interval" in note for note in log.cleaning.notes)


def test_gpx__few_speeds_give_way_to_positions(tmp_path: Path) -> None:
    some = gpx(lambda i, v: f"<speed>{v:.2f}</speed>" if i % 4 == 0 else "", version="1.0")
    log = read(tmp_path, some)
    assert log.speed_source == "positions"
    assert "only 15 of 60 points carry a speed" in log.cleaning.notes[0]


def test_gpx__missing_speeds_leave_a_gap(tmp_path: Path) -> None:
    log = read(tmp_path, gpx(lambda i, v: "" if 20 <= i < 25 else f"<speed>{v:.2f}</speed>"))
    assert log.speed is not None
    assert len(log.speed) == 55
    assert log.cleaning.gaps_s == ((pytest.approx(1.9), pytest.approx(2.5)),)


def test_gpx__segments_are_not_bridged(tmp_path: Path) -> None:
    text = gpx()
    points = text.split("<trkpt")
    text = (
        "<trkpt".join(points[:31])
        + "</trkseg></trk><trk><trkseg><trkpt"
        + "<trkpt".join(points[31:])
    )
    log = read(tmp_path, text)
    assert log.speed is not None
    assert len(log.channels[LATITUDE]) == 60
    assert len(log.speed) == 58
    assert 2.95 not in log.speed.t_s.round(6).tolist()


def test_gpx__points_without_time_are_counted(tmp_path: Path) -> None:
    text = re.sub(r"<time>[^<]*:0[12]\.[^<]*</time>", "", gpx(lambda i, v: f"<speed>{v}</speed>"))
    log = read(tmp_path, text)
    assert log.cleaning.without_time == 20 - 2  # whole seconds carry no fraction here
    assert log.cleaning.records_kept == 42


@pytest.mark.parametrize("zone", ["+02:00", "-05:30"], ids=["east", "west"])
def test_gpx__times_with_a_zone(tmp_path: Path, zone: str) -> None:
    text = gpx(lambda i, v: f"<speed>{v}</speed>").replace("Z</time>", f"{zone}</time>")
    sign = -1 if zone[0] == "+" else 1
    log = read(tmp_path, text)
    assert log.start_utc is not None
    hours = int(zone[1:3]) + int(zone[4:]) / 60
    assert (log.start_utc - START).total_seconds() == sign * hours * 3600


def test_gpx__utf16_and_mark(tmp_path: Path) -> None:
    text = gpx(lambda i, v: f"<speed>{v}</speed>")
    for data in (text.encode("utf-16"), b"\xef\xbb\xbf" + text.encode()):
        assert len(read(tmp_path, data).channels[LATITUDE]) == 60


def test_gpx__cut_off_file_gives_its_whole_points(tmp_path: Path) -> None:
    text = gpx(lambda i, v: f"<extensions><club:speed>{v:.2f}</club:speed></extensions>")
    cut = text[: text.index('lat="', len(text) // 2) + 9]
    log = read(tmp_path, cut)
    assert log.speed is not None
    assert len(log.speed) == cut.count("</trkpt>")
    assert log.cleaning.unparsable == 1
    assert re.search(r"cut off \(line \d+\)", log.cleaning.notes[0])


def test_gpx__one_bad_point_costs_only_itself(tmp_path: Path) -> None:
    text = gpx(lambda i, v: f"<speed>{v:.2f}</speed>")
    text = text.replace("10:00:02.5", "1O:00:02.5", 1)
    log = read(tmp_path, text.replace('lat="52.0', 'lat="fifty', 1))
    assert log.cleaning.without_time == 1
    assert log.cleaning.unparsable == 1
    assert log.cleaning.records_kept == 58


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (re.sub(r"<time>[^<]*</time>", "", gpx()), "none of its 60 track points has a usable time"),
        ('<gpx version="1.1"><wpt lat="1" lon="2"/></gpx>', "waypoints or a route"),
        ('<gpx version="1.1"></gpx>', "no points"),
        (gpx()[:200], "line"),
        ("<kml><Document/></kml>", "no gpx element"),
        ('<!DOCTYPE gpx [<!ENTITY a "b">]><gpx version="1.1">&a;</gpx>', "document type"),
    ],
)
def test_gpx__useless_files_are_refused_in_one_line(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(InputError, match=re.escape(told)) as caught:
        read(tmp_path, text)
    assert "run.gpx" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("kind", ["speed", "zones", "segments"])
def test_gpx__agrees_with_another_reader(tmp_path: Path, kind: str) -> None:
    # gpxpy, a general-purpose reader of GPX, on the same files.
    import gpxpy

    text = gpx(lambda i, v: f"<extensions><club:speed>{v}</club:speed></extensions>")
    if kind == "zones":
        text = text.replace("Z</time>", "+02:00</time>")
    if kind == "segments":
        place = text.index("<trkpt", len(text) // 2)
        text = text[:place] + "</trkseg><trkseg>" + text[place:]
    points = [point.point for point in gpxpy.parse(text).get_points_data()]
    log = read(tmp_path, text)
    assert log.start_utc == points[0].time
    assert log.channels[LATITUDE].values.tolist() == [point.latitude for point in points]
    assert log.channels[ALTITUDE].values.tolist() == [point.elevation for point in points]
    since = [(point.time - points[0].time).total_seconds() for point in points]
    assert log.channels[LATITUDE].t_s == pytest.approx(since)
