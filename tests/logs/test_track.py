"""Tracks inside films: the published ``camm`` and ``gpmd`` layouts, written byte by byte."""

import struct
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from overlay.errors import InputError, TimetrueError, UsageError
from overlay.jobs.facts import facts_of
from overlay.jobs.join_track import write_joined_track
from overlay.logs import ALTITUDE, LATITUDE, LONGITUDE, read_log
from overlay.logs import klv as reader
from overlay.logs.model import Log
from overlay.logs.track import row_times
from overlay.report.table import facts_table

from .containers import (
    Track,
    camm_gps,
    camm_gyro,
    camm_position,
    device,
    film,
    klv,
    nested,
    other_stream,
    stream5,
    stream9,
    video_track,
)
from .samples import ACCEL_MPS2, MERIDIAN_M, START

GPS_EPOCH = datetime(1980, 1, 6, tzinfo=UTC)


def read(folder: Path, data: bytes, **options: object) -> Log:
    path = folder / "run.mp4"
    path.write_bytes(data)
    before = path.stat().st_mtime_ns
    log = read_log(path, **options)  # type: ignore[arg-type]
    assert path.stat().st_mtime_ns == before
    return log


def lat(t_s: float) -> float:
    return 52.0 + float(np.degrees(ACCEL_MPS2 * t_s**2 / 2 / MERIDIAN_M))


def gps_samples(count: int = 30, step_s: float = 0.1, *, heading_deg: float = 30.0) -> list[bytes]:
    turn = np.radians(heading_deg)
    samples = []
    for i in range(count):
        v = ACCEL_MPS2 * i * step_s
        epoch_s = (START - GPS_EPOCH).total_seconds() + 18 + i * step_s
        samples.append(
            camm_gps(
                epoch_s=epoch_s,
                fix=3,
                lat=lat(i * step_s),
                lon=0.5,
                alt=20.0,
                east=v * np.sin(turn),
                north=v * np.cos(turn),
                accuracy=0.25,
            )
        )
    return samples


def rows5(count: int, first: int = 0, rate: float = 10.0) -> list[tuple[float, ...]]:
    return [
        (lat(i / rate), 0.5, 20.0, ACCEL_MPS2 * i / rate, 1.1 * ACCEL_MPS2 * i / rate)
        for i in range(first, first + count)
    ]


def test_camm__position_with_velocity(tmp_path: Path) -> None:
    # Type 6 of the specification: time, fix, latitude, longitude, altitude, two accuracies,
    # velocity east, north and up, accuracy of the speed.
    log = read(tmp_path, film(video_track(), Track("camm", gps_samples(), [100] * 30)))
    assert log.format == "camm"
    assert log.clock == "footage"
    assert log.start_utc == START
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(30) / 10)
    assert log.speed.values == pytest.approx(ACCEL_MPS2 * np.arange(30) / 10, abs=1e-5)
    assert log.speed.sigma == pytest.approx(np.full(30, 0.25))
    assert log.channels[LATITUDE].values[-1] == pytest.approx(lat(2.9), abs=1e-9)
    assert log.channels[LONGITUDE].values[0] == 0.5
    assert log.channels[ALTITUDE].values[0] == 20.0
    assert log.speed_source == "speed over ground in the clip's own track (camm, camera)"


@pytest.mark.parametrize(("video_start", "track_start"), [(200, 0), (0, 340), (120, 50)])
def test_track__clock_is_that_of_the_pictures(
    tmp_path: Path, video_start: int, track_start: int
) -> None:
    track = Track("camm", gps_samples(), [100] * 30, start=track_start)
    log = read(tmp_path, film(video_track(start=video_start), track))
    assert log.speed is not None
    shift_s = (track_start - video_start) / 1000
    assert log.speed.t_s == pytest.approx(np.arange(30) / 10 + shift_s)
    assert log.start_utc == START - timedelta(seconds=shift_s)


def test_camm__uneven_container_times_are_kept(tmp_path: Path) -> None:
    durations = [90, 110, 130, 70] * 7 + [100, 100]
    log = read(tmp_path, film(video_track(), Track("camm", gps_samples(), durations)))
    assert log.speed is not None
    expected_s = np.concatenate([[0], np.cumsum(durations)[:-1]]) / 1000
    assert log.speed.t_s == pytest.approx(expected_s)


def test_camm__other_types_and_several_a_packet(tmp_path: Path) -> None:
    samples = [camm_gyro(0.1, 0.2, 0.3) + s + camm_gyro(0, 0, 0) for s in gps_samples()]
    log = read(tmp_path, film(video_track(), Track("camm", samples, [100] * 30)))
    assert log.speed is not None
    assert len(log.speed) == 30


def test_camm__positions_alone_give_a_speed(tmp_path: Path) -> None:
    samples = [camm_position(lat(i / 10), 0.5, 20.0) for i in range(30)]
    log = read(tmp_path, film(video_track(), Track("camm", samples, [100] * 30)))
    assert log.speed_source == "positions"
    assert log.speed is not None
    assert log.speed.values == pytest.approx(ACCEL_MPS2 * log.speed.t_s, abs=2e-3)


def test_camm__a_lost_fix_leaves_a_gap(tmp_path: Path) -> None:
    samples = gps_samples()
    for i in range(10, 20):
        samples[i] = camm_gps(epoch_s=0, fix=0, lat=0, lon=0, alt=0, east=0, north=0)
    log = read(tmp_path, film(video_track(), Track("camm", samples, [100] * 30)))
    assert log.speed is not None
    assert len(log.speed) == 20
    assert log.cleaning.void_fixes == 10
    assert log.cleaning.gaps_s == ((pytest.approx(0.9), pytest.approx(2.0)),)
    assert log.start_utc == START


def test_track__no_fix_at_all_is_said(tmp_path: Path) -> None:
    samples = [camm_gps(epoch_s=0, fix=0, lat=0, lon=0, alt=0, east=0, north=0)] * 30
    with pytest.raises(InputError, match="no usable fix in this clip"):
        read(tmp_path, film(video_track(), Track("camm", samples, [100] * 30)))


def packets5(counts: list[int], rate: float = 10.0, **about: object) -> list[bytes]:
    firsts = np.concatenate([[0], np.cumsum(counts)])
    return [
        device(other_stream(), stream5(rows5(n, int(first), rate), **about))  # type: ignore[arg-type]
        for n, first in zip(counts, firsts, strict=False)
    ]


def test_gpmd__five_columns_scaled(tmp_path: Path) -> None:
    log = read(tmp_path, film(video_track(), Track("gpmd", packets5([10] * 3), [1000] * 3)))
    assert log.format == "gpmd"
    assert log.clock == "footage"
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(30) / 10)
    assert log.speed.values == pytest.approx(ACCEL_MPS2 * np.arange(30) / 10, abs=6e-4)
    assert log.channels[LATITUDE].values[-1] == pytest.approx(lat(2.9), abs=1e-7)
    assert log.channels[ALTITUDE].values[0] == 20.0
    assert log.start_utc is None
    assert log.speed_source == "speed over ground in the clip's own track (gpmd, 1 Camera)"


def test_gpmd__rows_keep_the_sensors_own_rate(tmp_path: Path) -> None:
    # 18.3 rows a second, in packets of 1.001 s that take in 18 or 19 of them by chance.
    rate, length_s = 18.3, 1.001
    edges = np.ceil(np.arange(13) * length_s * rate - 1e-9).astype(int)
    counts = np.diff(edges).tolist()
    assert set(counts) == {18, 19}
    track = Track("gpmd", packets5(counts, rate), [1001] * 12)
    log = read(tmp_path, film(video_track(130), track))
    assert log.speed is not None
    # To the time of one row: where in a packet its first row lies, no time in the file says.
    assert log.speed.t_s == pytest.approx(np.arange(sum(counts)) / rate, abs=1.0 / rate)
    assert np.ptp(np.diff(log.speed.t_s)) < 1e-9
    assert np.mean(np.diff(log.speed.t_s)) == pytest.approx(1 / rate, rel=0.005)


def test_row_times__a_pause_of_the_track_is_kept() -> None:
    starts_s = np.array([0.0, 1.0, 2.0, 7.0, 8.0, 9.0])
    at_s = row_times(starts_s, np.ones(6), np.array([4] * 6))
    expected_s = np.concatenate([np.arange(12) / 4, 7 + np.arange(12) / 4])
    assert at_s == pytest.approx(expected_s)


def test_gpmd__nine_columns_with_utc_fix_and_precision_a_row(tmp_path: Path) -> None:
    # A complex type: seven 32-bit and two 16-bit numbers; days since 2000, seconds of the day.
    day = (START - datetime(2000, 1, 1, tzinfo=UTC)).days
    second = START.hour * 3600 + START.minute * 60 + START.second
    rows = [
        (*row, day, second + i / 10, 50.0 if 5 <= i < 8 else 1.2, 0 if i >= 26 else 3)
        for i, row in enumerate(rows5(30))
    ]
    packets = [device(stream9(rows[i : i + 10])) for i in (0, 10, 20)]  # type: ignore[arg-type]
    log = read(tmp_path, film(video_track(), Track("gpmd", packets, [1000] * 3)))
    assert log.speed is not None
    kept = [i for i in range(26) if not 5 <= i < 8]
    assert log.speed.t_s == pytest.approx(np.array(kept) / 10)
    assert log.speed.values == pytest.approx(ACCEL_MPS2 * np.array(kept) / 10, abs=6e-4)
    assert log.start_utc == START
    assert log.cleaning.void_fixes == 7
    assert any("3 of 30 values have a dilution" in note for note in log.cleaning.notes)


def test_gpmd__utc_fix_and_precision_a_packet(tmp_path: Path) -> None:
    packets = [
        device(stream5(rows5(10, 10 * k), fix=0 if k == 1 else 3, at=START + timedelta(seconds=k)))  # type: ignore[arg-type]
        for k in range(3)
    ]
    log = read(tmp_path, film(video_track(), Track("gpmd", packets, [1000] * 3)))
    assert log.start_utc == START
    assert log.cleaning.void_fixes == 10
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.r_[0:10, 20:30] / 10)
    poor = [device(stream5(rows5(10), dop=99.99))]  # type: ignore[arg-type]
    with pytest.raises(InputError, match="10 too poor"):
        read(tmp_path, film(video_track(), Track("gpmd", poor, [1000])))


def test_gpmd__several_devices(tmp_path: Path) -> None:
    def packet(k: int) -> bytes:
        slow = [(*row[:3], 99.0, 99.0) for row in rows5(5, 5 * k)]
        return device(stream5(slow), number=1, name="Mount") + device(  # type: ignore[arg-type]
            stream5(rows5(10, 10 * k)),  # type: ignore[arg-type]
            number=2,
            name="Roof",
        )

    data = film(video_track(), Track("gpmd", [packet(k) for k in range(3)], [1000] * 3))
    log = read(tmp_path, data)
    assert log.speed is not None
    assert len(log.speed) == 30
    (note,) = log.cleaning.notes
    assert "'1 Mount', '2 Roof'; '2 Roof' is taken" in note
    other = read(tmp_path, data, columns={"device": "mount"})
    assert other.speed is not None
    assert other.speed.values == pytest.approx(np.full(15, 99.0))
    with pytest.raises(UsageError, match="has no device 'boot'; it has '1 Mount', '2 Roof'"):
        read(tmp_path, data, columns={"device": "boot"})


def test_track__films_without_one(tmp_path: Path) -> None:
    for tracks in ([video_track()], [video_track(), Track("text", [b"words"] * 3, [1000] * 3)]):
        with pytest.raises(InputError, match="is a video without a track of speed"):
            read(tmp_path, film(*tracks))


@pytest.mark.parametrize(
    ("kind", "content", "size", "expected"),
    [
        ("b", struct.pack(">2b", -3, 5), 2, [-3, 5]),
        ("B", struct.pack(">2B", 3, 255), 2, [3, 255]),
        ("s", struct.pack(">2h", -300, 5), 4, [-300, 5]),
        ("S", struct.pack(">2H", 300, 65535), 4, [300, 65535]),
        ("l", struct.pack(">2i", -70000, 5), 8, [-70000, 5]),
        ("L", struct.pack(">2I", 70000, 2**32 - 1), 8, [70000, 2**32 - 1]),
        ("j", struct.pack(">2q", -(2**40), 5), 16, [-(2**40), 5]),
        ("J", struct.pack(">2Q", 2**40, 5), 16, [2**40, 5]),
        ("f", struct.pack(">2f", 1.5, -2.25), 8, [1.5, -2.25]),
        ("d", struct.pack(">2d", 0.1, 1e200), 16, [0.1, 1e200]),
        ("q", struct.pack(">2i", 3 << 15, -1 << 16), 8, [1.5, -1]),
        ("Q", struct.pack(">2q", 3 << 31, -1 << 32), 16, [1.5, -1]),
    ],
)
def test_klv__types(kind: str, content: bytes, size: int, expected: list[float]) -> None:
    (item,) = reader.items(memoryview(klv("TEST", kind, size, 1, content)))
    assert reader._numbers(item).tolist() == [expected]


SCALE1 = klv("SCAL", "l", 4, 1, bytes(4))


@pytest.mark.parametrize(
    "data",
    [
        nested("DEVC", b"STRM\0\xff\xff\xff" + bytes(64)),
        device(nested("STRM", SCALE1, klv("GPS5", "l", 20, 1, bytes(20)))),
        device(nested("STRM", klv("GPS5", "l", 16, 1, bytes(16)))),
        device(nested("STRM", klv("GPS5", "?", 20, 1, bytes(20)))),
        device(nested("STRM", klv("GPS5", "c", 20, 1, bytes(20)))),
        device(
            nested("STRM", klv("TYPE", "c", 1, 5, b"lllll"), klv("GPS5", "?", 16, 1, bytes(16)))
        ),
    ],
    ids=["longer than its holder", "scale 0", "columns", "no layout", "letters", "layout"],
)
def test_klv__lying_sizes_scales_and_types(data: bytes) -> None:
    with pytest.raises(reader.Malformed):
        reader.positions(data)


def test_gpmd__depth_and_damage_cost_only_themselves(tmp_path: Path) -> None:
    deep = b""
    for _ in range(4000):
        deep = nested("DEVC", deep)[:65000]
    good = packets5([10] * 3)
    packets = [good[0], deep, good[1][:300], good[2]]
    log = read(tmp_path, film(video_track(40), Track("gpmd", packets, [1000] * 4)))
    assert log.speed is not None
    assert len(log.speed) == 20
    assert any("of the track are damaged" in note for note in log.cleaning.notes)


def test_track__a_film_cut_off_or_without_times(tmp_path: Path) -> None:
    whole = film(video_track(), Track("gpmd", packets5([10] * 3), [1000] * 3))
    for share in (0.2, 0.5, 0.9, 0.99):
        with pytest.raises(TimetrueError):
            read(tmp_path, whole[: int(share * len(whole))])
    still = Track("camm", gps_samples(), [0] * 30)
    with pytest.raises(InputError, match="repeat a time"):
        read(tmp_path, film(video_track(), still))


def test_inspect__shows_the_track_of_a_clip(tmp_path: Path) -> None:
    path = tmp_path / "run.mp4"
    path.write_bytes(film(video_track(), Track("camm", gps_samples(), [100] * 30)))
    track = facts_of(path)["track"]
    assert track["format"] == "camm"
    assert track["speed_values"] == 30
    assert track["speed_sample_rate_hz"] == 10.0
    text = facts_table(facts_of(path))
    assert "speed source speed over ground in the clip's own track (camm, camera)" in text
    assert track["speed_highest"] == pytest.approx(8.7, abs=1e-5)
    path.write_bytes(film(video_track()))
    assert facts_of(path)["track"] == "none"
    none = [camm_gps(epoch_s=0, fix=0, lat=0, lon=0, alt=0, east=0, north=0)] * 30
    path.write_bytes(film(video_track(), Track("camm", none, [100] * 30)))
    assert "no usable fix" in facts_of(path)["track"]


def test_track__an_index_that_lies_costs_no_memory(tmp_path: Path) -> None:
    # ISO/IEC 14496-12, 8.7.3.2: one size for all samples, and how many of them there are.
    data = film(video_track(), Track("camm", gps_samples(), [100] * 30))
    place = data.rindex(b"stsz") + 8
    lie = data[:place] + struct.pack(">II", 1000, 67_000_000) + data[place + 8 :]
    with pytest.raises(InputError, match="counts more samples than the file can hold"):
        read(tmp_path, lie)


def test_join__keeps_the_tracks_of_the_parts(tmp_path: Path) -> None:
    parts = []
    for k in range(2):
        samples = [
            camm_gps(
                epoch_s=0, fix=3, lat=52 + k, lon=0.5, alt=20, east=0.3 * (30 * k + i), north=0
            )
            for i in range(30)
        ]
        parts.append(tmp_path / f"part{k}.mp4")
        parts[k].write_bytes(film(video_track(), Track("camm", samples, [100] * 30)))
    table = tmp_path / "whole.track.csv"
    assert write_joined_track(parts, table) == 60
    log = read_log(table)
    assert log.clock == "footage"
    assert log.speed is not None
    assert log.speed.t_s == pytest.approx(np.arange(60) / 10)
    assert log.speed.values == pytest.approx(0.3 * np.arange(60), abs=1e-5)
    assert log.channels[LATITUDE].values[[0, -1]].tolist() == [52.0, 53.0]
    plain = tmp_path / "plain.mp4"
    plain.write_bytes(film(video_track()))
    assert write_joined_track([plain], tmp_path / "none.csv") == 0
    assert not (tmp_path / "none.csv").exists()
