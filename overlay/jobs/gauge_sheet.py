"""The contact sheet of every gauge, as a picture file."""

from __future__ import annotations

from pathlib import Path

from overlay.errors import UsageError
from overlay.files import written_whole
from overlay.gauges.contact import contact_sheet
from overlay.jobs.film import require_suffix


def write_sheet(target: str | Path, *, scale: float = 1.0) -> tuple[int, int]:
    """Draw every gauge in every state into a PNG; its width and height in pixels.

    Parameters
    ----------
    scale : float
        1 for the sizes that gauges have in a 1080p picture; 0.5 to 2.

    Raises
    ------
    UsageError
        If the target is no PNG or the scale is out of range.
    OutputError
        If it cannot be written.
    """
    from PIL import Image

    final = Path(target)
    require_suffix(final, (".png",), "the sheet is written as PNG; end the name with .png")
    if not 0.5 <= scale <= 2:
        raise UsageError(f"a scale of {scale}: use 0.5 to 2")
    picture = Image.fromarray(contact_sheet(scale=scale))
    with written_whole(final) as part:
        picture.save(part, format="PNG")
    return picture.size
