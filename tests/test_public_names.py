"""The public names: all there, documented, and free of cost on import."""

import subprocess
import sys

import pytest

import overlay


@pytest.mark.parametrize("name", overlay.__all__)
def test_public_name__is_there_and_documented(name):
    thing = getattr(overlay, name)
    assert thing.__doc__
    assert thing.__name__ == name


def test_public_names__are_the_homes_and_sorted():
    assert sorted(overlay._HOMES) == overlay.__all__


def test_public_names__no_other():
    with pytest.raises(AttributeError, match="nonsense"):
        _ = overlay.nonsense


def test_import__does_nothing():
    code = "import sys, overlay; sys.exit(len({'numpy', 'av', 'cv2'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
