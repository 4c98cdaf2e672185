"""Damaged logs: whatever is cut off or flipped, only errors of our own come out."""

from pathlib import Path

import numpy as np
import pytest

from overlay.errors import TimetrueError
from overlay.logs import read_log

from .samples import GOOD


def outcome(path: Path, data: bytes) -> bool:
    """Whether the log is read; any exception but our own fails the test."""
    path.write_bytes(data)
    try:
        log = read_log(path)
    except TimetrueError as error:
        message = str(error)
        assert "\n" not in message
        assert path.name in message
        return False
    for series in log.channels.values():
        assert np.all(np.isfinite(series.values))
        assert np.all(np.diff(series.t_s) > 0)
    return True


@pytest.mark.parametrize("kind", GOOD)
def test_damage__cut_off_anywhere(tmp_path: Path, kind: str) -> None:
    data = GOOD[kind]
    assert outcome(tmp_path / "a.log", data)
    cuts = np.unique(np.linspace(0, len(data) - 1, 120).astype(int)).tolist()
    read = [outcome(tmp_path / "a.log", data[:cut]) for cut in cuts]
    assert not read[0]
    # Once two records stand whole, a cut loses only what it cuts off.
    assert all(read[len(read) // 2 :])


@pytest.mark.parametrize("kind", GOOD)
def test_damage__flipped_bytes(tmp_path: Path, kind: str, rng: np.random.Generator) -> None:
    for count in (1, 1, 3, 30):
        for _ in range(40):
            data = np.frombuffer(GOOD[kind], dtype=np.uint8).copy()
            places = rng.integers(0, len(data), count)
            data[places] = rng.integers(0, 256, count)
            outcome(tmp_path / "a.log", data.tobytes())


@pytest.mark.parametrize("kind", GOOD)
def test_damage__moved_and_repeated_pieces(
    tmp_path: Path, kind: str, rng: np.random.Generator
) -> None:
    for _ in range(40):
        lines = GOOD[kind].splitlines(keepends=True)
        start, end = sorted(rng.integers(0, len(lines) + 1, 2).tolist())
        piece = lines[start:end]
        del lines[start:end]
        place = int(rng.integers(0, len(lines) + 1))
        outcome(tmp_path / "a.log", b"".join(lines[:place] + piece + piece + lines[place:]))
