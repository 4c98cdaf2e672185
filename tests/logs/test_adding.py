"""What DEVELOPERS.md promises: a log format is one module and its name."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from overlay.errors import UsageError
from overlay.logs import SPEED, is_log, read_log
from overlay.logs.clean import Raw
from overlay.logs.detect import FORMATS
from overlay.logs.formats import LogFormat, Reading
from overlay.logs.model import Cleaning


def read_beads(data: bytes, path: str, _: Reading) -> Raw:
    """A line a second, a bead for each metre a second."""
    lines = data.decode().splitlines()[1:]
    speed = np.array([float(line.count("o")) if set(line) == {"o"} else np.nan for line in lines])
    counts = Cleaning(records_read=len(lines), unparsable=int(np.isnan(speed).sum()))
    t_s = np.arange(len(lines), dtype=np.float64)
    return Raw(path, "beads", "elapsed", t_s, {SPEED: speed}, speed_source="beads", counts=counts)


FORMAT = LogFormat(lambda head: head.text.startswith("beads\n"), read_beads)


@pytest.fixture
def beads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setitem(FORMATS, "beads", f"{__name__}:FORMAT")
    path = tmp_path / "run.txt"
    path.write_text("beads\no\nooo\n??\nooooo\n")
    return path


def test_a_format__is_one_module_and_its_name(beads: Path) -> None:
    assert is_log(beads)
    log = read_log(beads)
    assert (log.format, log.speed_source, log.cleaning.unparsable) == ("beads", "beads", 1)
    assert log.speed is not None
    assert log.speed.t_s.tolist() == [0.0, 1.0, 3.0] and log.speed.values.tolist() == [1, 3, 5]


def test_a_format__without_columns_refuses_a_map(beads: Path) -> None:
    with pytest.raises(UsageError, match="BEADS, which has no columns"):
        read_log(beads, columns={"speed": "V"})
