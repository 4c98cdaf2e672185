"""The package's surface: every public name is there, and importing it loads no decoder."""

import subprocess
import sys

import overlay.footage as footage


def test_public_names_are_all_there():
    assert footage.__all__ == sorted(footage.__all__)
    for name in footage.__all__:
        assert getattr(footage, name).__module__.startswith("overlay.footage.") or name == "Luma"


def test_import_loads_no_decoder():
    code = "import sys, overlay.footage; print({'av', 'cv2'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
