"""The error tree, its exit codes, and the tables that document them."""

import inspect
from pathlib import Path

import overlay.errors as errors
from overlay.cli.main import EXIT_CODES
from overlay.errors import TimetrueError

ROOT = Path(__file__).resolve().parents[1]


def classes() -> list[type[TimetrueError]]:
    return [
        item
        for _, item in inspect.getmembers(errors, inspect.isclass)
        if issubclass(item, TimetrueError)
    ]


def test_errors__each_class_has_an_exit_code_of_its_own():
    codes = [item.exit_code for item in classes()]
    assert len(set(codes)) == len(codes)
    assert all(0 < code < 126 for code in codes)


def test_errors__tree_is_drawn_at_the_top_of_the_module():
    for item in classes():
        assert f"{item.__name__} " in str(errors.__doc__)


def test_exit_codes__help_and_readme_list_them_all():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for code in [0, *(item.exit_code for item in classes()), errors.EXIT_INTERRUPTED]:
        assert f"\n  {code}  " in EXIT_CODES
        assert f"| {code} |" in readme
