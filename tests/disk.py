"""A file system so small that it fills up."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def small_disk(folder: Path, kilobytes: int) -> Iterator[Path]:
    """Mount one at a new folder; the test is skipped where that is not possible."""
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(folder)]
    if (
        not sys.platform.startswith("linux")
        or subprocess.run(mount, capture_output=True, check=False).returncode
    ):
        pytest.skip("a small file system can be made by the superuser of Linux only")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)
