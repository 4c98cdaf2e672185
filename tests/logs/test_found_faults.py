"""Damage and hostile files met in the field, each kept as a test: GPX, NMEA, names, pipes."""

import os
from pathlib import Path
from time import process_time

import numpy as np
import pytest

from overlay.errors import InputError
from overlay.jobs.facts import facts_of
from overlay.logs import LATITUDE, read_log
from overlay.logs.model import Log

from .samples import gpx, hhmmss, rmc, sentence, truth


def read(folder: Path, data: str | bytes, name: str = "run.gpx") -> Log:
    path = folder / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return read_log(path)


@pytest.mark.parametrize(
    ("form", "per_mps"),
    [("{v:.3f} km/h", 3.6), ("{v:.3f}km/h", 3.6), ("{v:.3f} m/s", 1), ("{v:.3f} mph", 1 / 0.44704)],
)
def test_gpx__a_unit_inside_the_element_is_obeyed(
    tmp_path: Path, form: str, per_mps: float
) -> None:
    log = read(tmp_path, gpx(lambda i, v: f"<speed>{form.format(v=v * per_mps)}</speed>"))
    assert log.speed is not None
    assert log.speed_source == "speed element"
    assert log.speed.values == pytest.approx(truth()[1], abs=1e-3)


def test_gpx__speeds_that_cannot_be_read_are_counted(tmp_path: Path) -> None:
    log = read(tmp_path, gpx(lambda i, v: f"<speed>{v if i % 10 else 'brisk'}</speed>"))
    assert log.cleaning.unparsable == 6
    assert any("6 speeds cannot be read, such as 'brisk'" in note for note in log.cleaning.notes)


def test_gpx__an_undeclared_prefix_is_no_damage(tmp_path: Path) -> None:
    log = read(tmp_path, gpx(lambda i, v: f"<odd:speed>{v:.3f}</odd:speed>", namespaces=""))
    assert log.speed is not None
    assert len(log.speed) == 60
    assert log.cleaning.unparsable == 0
    assert log.cleaning.notes == ()


@pytest.mark.parametrize("share", [0.3, 0.5, 0.9])
def test_gpx__cut_off_with_self_closing_children(tmp_path: Path, share: float) -> None:
    text = gpx(
        lambda i, v: f"<extensions><club:a/><speed>{v:.2f}</speed><club:b x='1'/></extensions>"
    )
    cut = text[: int(share * len(text))]
    log = read(tmp_path, cut)
    assert log.speed is not None
    assert len(log.speed) == cut.count("</trkpt>")
    assert log.speed.values == pytest.approx(truth()[1][: len(log.speed)], abs=6e-3)


@pytest.mark.parametrize("damage", ["<trkpt lat=", "</ele>", "&", "\x01", "<speed>"])
def test_gpx__damage_in_the_middle_costs_one_point(tmp_path: Path, damage: str) -> None:
    text = gpx(lambda i, v: f"<club:a/><speed>{v:.2f}</speed>")
    place = text.index("<time>", len(text) // 2)
    log = read(tmp_path, text[:place] + damage + text[place:])
    assert log.speed is not None
    assert 58 <= len(log.speed) <= 59
    assert log.cleaning.unparsable >= 1


@pytest.mark.parametrize("inside", ["<a>", "<trkpt lat='1' lon='2'>", "<trkseg>"])
def test_gpx__endless_nesting(tmp_path: Path, inside: str) -> None:
    start_s = process_time()
    with pytest.raises(InputError, match="nested deeper than 64"):
        read(tmp_path, f'<gpx version="1.1"><trk><trkseg>{inside * 140_000}')
    good = gpx(lambda i, v: f"<speed>{v:.2f}</speed>")
    half = len(good.split("</trkpt>")[0]) + len("</trkpt>")
    log = read(tmp_path, good[:half] + inside * 20_000 + good[half:])
    assert len(log.channels[LATITUDE]) >= 58
    assert process_time() - start_s < 5.0


def test_gpx__entities_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="document type"):
        read(tmp_path, '<!DOCTYPE gpx [<!ENTITY a "b">]><gpx version="1.1">&a;</gpx>')


def test_nmea__binary_between_sentences_is_no_damage(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    data = b""
    for i, t in enumerate(truth()[0]):
        junk = rng.integers(0, 256, 60, dtype=np.uint8)
        data += junk.tobytes() + b"$$!b$\x81$,\x00" + rmc(hhmmss(t), float(i)).encode()
    log = read(tmp_path, data, "run.log")
    assert log.cleaning.records_kept == 60
    assert log.cleaning.unparsable == 0
    assert log.cleaning.bad_checksums == 0


def test_nmea__whatever_lies_between_sentences_costs_none(tmp_path: Path) -> None:
    for seed in range(5):
        rng, data = np.random.default_rng(seed), b""
        for i, t in enumerate(truth()[0]):
            junk = rng.integers(0, 256, 3000, dtype=np.uint8).tobytes()
            data += junk + b"#\x80$ABX9\x90" + rmc(hhmmss(t), float(i)).encode()
        log = read(tmp_path, data, "run.log")
        assert log.cleaning.records_kept == 60, seed
        assert (log.cleaning.unparsable, log.cleaning.bad_checksums) == (0, 0), seed


def test_table__seconds_called_milliseconds_are_refused(tmp_path: Path) -> None:
    def table(name: str, step: float, rise: float = 0.5) -> str:
        rows = [f"{i * step:.4f},{min(20.0, rise * i):.2f}" for i in range(100)]
        return "\n".join([name + ",speed_mps", *rows])

    for name, step in (("time_ms", 0.1), ("time_ms", 0.04), ("time (us)", 100.0)):
        with pytest.raises(InputError, match="check its unit") as caught:
            read(tmp_path, table(name, step), "run.csv")
        assert "\n" not in str(caught.value)
    # Steps of 1 ms can be; 500 m/s each second cannot.
    with pytest.raises(InputError, match="check the units of time and speed"):
        read(tmp_path, table("time_ms", 1.0), "run.csv")
    for name, step in (("time_ms", 100.0), ("time (s)", 0.1), ("time (us)", 1e5)):
        log = read(tmp_path, table(name, step), "run.csv")
        assert log.speed is not None and log.speed.t_s[-1] == pytest.approx(9.9)
    fast = read(tmp_path, table("time_ms", 1.0, rise=0.01), "run.csv")  # 10 m/s each second
    assert fast.speed is not None and fast.speed.t_s[-1] == pytest.approx(0.099)


def test_inspect__shows_void_instants_and_records_without_time(tmp_path: Path) -> None:
    void = "".join(sentence(f"GPRMC,{hhmmss(t)},V,,,,,,,161206,,,N") for t in range(5))
    path = tmp_path / "run.log"
    path.write_text(void + "".join(rmc(hhmmss(10 + t), 3.0) for t in range(10)))
    facts = facts_of(path)
    assert facts["void_fixes"] == 5
    path.write_text(gpx(lambda i, v: f"<speed>{v}</speed>").replace("<time>", "<tide>", 3))
    assert facts_of(path)["void_fixes"] == 0


@pytest.mark.parametrize("name", ["n" * 300 + ".csv", "a\0b.csv", "no/such/folder.csv"])
def test_read_log__names_that_no_file_can_have(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="check the name") as caught:
        read_log(f"{tmp_path}/{name}")
    assert "\n" not in str(caught.value)


def test_read_log__a_pipe_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "run.csv")
    with pytest.raises(InputError, match="is a pipe or device"):
        read_log(tmp_path / "run.csv")
    with pytest.raises(InputError, match="is a pipe or device"):
        read_log("/dev/zero")
