"""The public names are there, and importing the package alone loads nothing heavy."""

from __future__ import annotations

import subprocess
import sys

import overlay.render


def test_names__all_load() -> None:
    for name in overlay.render.__all__:
        assert callable(getattr(overlay.render, name)), name
    assert set(overlay.render.__all__) == set(overlay.render._HOMES)


def test_names__nothing_loaded_on_import() -> None:
    code = "import sys, overlay.render; assert not {'av', 'numpy', 'cv2'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)
