"""The public names: all there, documented, and free of cost on import."""

import subprocess
import sys

import pytest

import overlay


@pytest.mark.parametrize("name", overlay.__all__)
def test_public_name__is_there_and_documented(name):
    thing = getattr(overlay, name)
    assert thing.__doc__
    assert thing.__name__.removeprefix("overlay.") == name
    assert callable(thing)


def test_public_names__are_the_homes_and_sorted():
    assert sorted(overlay._HOME_OF) == overlay.__all__


def test_public_names__no_other():
    with pytest.raises(AttributeError, match="nonsense"):
        _ = overlay.nonsense


def test_import__does_nothing():
    code = "import sys, overlay; sys.exit(len({'numpy', 'av', 'cv2'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("name", ["compare", "verify"])
def test_public_name__of_a_part_of_the_package_is_a_function_too(name):
    """Whether or not the part has been imported already."""
    arguments = "[], []" if name == "compare" else "'none.mp4'"
    code = f"""
import overlay
from overlay.errors import TimetrueError
for _ in range(2):
    try:
        overlay.{name}({arguments})
    except TimetrueError as error:
        print(type(error).__name__)
    import overlay.{name}.verdict
"""
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == [("UsageError" if name == "compare" else "InputError")] * 2
