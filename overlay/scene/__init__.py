"""A film as data: cells with a run each, an arrangement, a style; nothing is encoded here."""

from overlay.scene.arrangement import Geometry, Rect, geometry_of
from overlay.scene.layers import Layer, still_layer
from overlay.scene.scene import Cell, Scene, scene_of, with_slowed
from overlay.scene.style import Style

__all__ = [
    "Cell",
    "Geometry",
    "Layer",
    "Rect",
    "Scene",
    "Style",
    "geometry_of",
    "scene_of",
    "still_layer",
    "with_slowed",
]
