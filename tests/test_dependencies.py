"""What the program depends on: bounds, licences, and what must do without moviepy."""

import re
import subprocess
import sys
import tomllib
from itertools import chain
from pathlib import Path

import pytest

from tests.demo_runs import CLIPS

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = chain.from_iterable(PROJECT["optional-dependencies"].values())
NEEDED = [*PROJECT["dependencies"], *(one for one in EXTRAS if not one.startswith("timetrue["))]

WITHOUT_MOVIEPY = """
import sys
class Missing:
    @staticmethod
    def find_spec(name, path=None, target=None):
        if name.partition(".")[0] == "moviepy":
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Missing)
from overlay.cli.main import invoke
sys.exit(invoke(sys.argv[1:]))
"""


@pytest.mark.parametrize("text", NEEDED)
def test_dependency__has_a_lower_and_an_upper_bound(text):
    assert re.fullmatch(r"[\w-]+>=[\d.]+,<[\d.]+", text)


@pytest.mark.parametrize("text", PROJECT["dependencies"])
def test_dependency__its_licence_is_listed(text):
    name = re.match(r"[\w-]+", text)[0]
    table = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## Dependencies")[2]
    assert re.search(rf"^\| {re.escape(name)} \| [\w. /()-]+ \|", table, re.MULTILINE)


def test_without_moviepy__starts_draws_and_verifies(tmp_path):
    def ends_with(*words):
        command = [sys.executable, "-c", WITHOUT_MOVIEPY, *map(str, words)]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
        assert "No module named" not in done.stderr
        return done.returncode

    target = tmp_path / "out.mp4"
    assert ends_with("--help") == 0
    assert ends_with("draw", CLIPS / "a1.mp4", CLIPS / "a1.gpx", "-o", target, "-q") == 0
    assert ends_with("verify", target, "-q") in (0, 7)  # proved, or not beyond doubt: it is judged
