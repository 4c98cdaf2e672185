"""Finished clips: gauges on footage, split-screen, sound mix, encoder.

The public names are loaded at first use, so that importing one costs no more than it needs.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from overlay.render.alpha import alpha_clip
    from overlay.render.cards import Card
    from overlay.render.covers import Cover
    from overlay.render.draw import draw_clip
    from overlay.render.encoder import EncodeOptions
    from overlay.render.join import join_clips
    from overlay.render.marks import Caption, Mark, add_marks
    from overlay.render.output import RenderReport, comment_tag
    from overlay.render.pipeline import Progress
    from overlay.render.reel import make_reel
    from overlay.render.slowed import slowed_times
    from overlay.render.source import even_size
    from overlay.render.stills import still
    from overlay.render.teaser import teaser_clip
    from overlay.render.together import Side, compose_clips

__all__ = [
    "Caption",
    "Card",
    "Cover",
    "EncodeOptions",
    "Mark",
    "Progress",
    "RenderReport",
    "Side",
    "add_marks",
    "alpha_clip",
    "comment_tag",
    "compose_clips",
    "draw_clip",
    "even_size",
    "join_clips",
    "make_reel",
    "slowed_times",
    "still",
    "teaser_clip",
]

_HOMES = {
    "Caption": "marks",
    "Mark": "marks",
    "add_marks": "marks",
    "alpha_clip": "alpha",
    "Card": "cards",
    "Cover": "covers",
    "EncodeOptions": "encoder",
    "Side": "together",
    "Progress": "pipeline",
    "RenderReport": "output",
    "comment_tag": "output",
    "draw_clip": "draw",
    "even_size": "source",
    "compose_clips": "together",
    "join_clips": "join",
    "make_reel": "reel",
    "slowed_times": "slowed",
    "still": "stills",
    "teaser_clip": "teaser",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
