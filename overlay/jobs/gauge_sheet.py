"""The contact sheet of every gauge, as a picture file."""

from __future__ import annotations

from pathlib import Path

from overlay.errors import UsageError
from overlay.files import written_whole


def write_sheet(target: str | Path, *, scale: float = 1.0) -> tuple[int, int]:
    """Draw every gauge in every state into a PNG.

    Parameters
    ----------
    target : path
        ``.png``.
    scale : float
        1 for the sizes that gauges have in a 1080p picture; 0.5 to 2.

    Returns
    -------
    (int, int)
        Width and height in pixels.

    Raises
    ------
    UsageError
        If the target is no PNG or the scale is out of range.
    OutputError
        If it cannot be written.
    """
    from PIL import Image

    from overlay.gauges.contact import contact_sheet

    final = Path(target)
    if final.suffix.lower() != ".png":
        raise UsageError(f"{final}: the sheet is written as PNG; end the name with .png")
    if not 0.5 <= scale <= 2:
        raise UsageError(f"a scale of {scale}: use 0.5 to 2")
    picture = Image.fromarray(contact_sheet(scale=scale))
    with written_whole(final) as part:
        picture.save(part, format="PNG")
    return picture.size


__all__ = ["write_sheet"]
