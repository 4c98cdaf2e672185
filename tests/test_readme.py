"""What the README says of Python is run as it stands, as a script of its own."""

import os
import re
import subprocess
import sys
from pathlib import Path

from overlay.verify.finished import imprint_of
from tests.demo_runs import small_day

ROOT = Path(__file__).resolve().parents[1]


def test_readme__its_python_section_runs_as_a_script(tmp_path):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert "__main__" not in code
    folder = small_day(tmp_path / "day")
    (folder / "mine.py").write_text(code, encoding="utf-8")
    run = subprocess.run(
        [sys.executable, "mine.py"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert run.returncode == 0, run.stderr
    assert "+24.7" in run.stdout and "60 m: cannot tell yet" in run.stdout
    imprint = imprint_of(folder / "side-by-side.mp4")
    assert imprint is not None
    assert [side.name for side in imprint.sides] == ["a1", "b1"]
