"""Where the font files lie."""

from __future__ import annotations

from pathlib import Path

from overlay.errors import InputError


def font_path(*, bold: bool = False) -> Path:
    """Where the font file lies: in the checkout's ``fonts`` or in the installed package.

    Raises
    ------
    InputError
        If neither has it.
    """
    name = f"B612Mono-{'Bold' if bold else 'Regular'}.otf"
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "_fonts", package.parent / "fonts"):
        if (folder / name).is_file():
            return folder / name
    raise InputError(f"{package / '_fonts' / name}: the font is missing; install timetrue again")
