"""A speed burnt into the picture, read back as a log: where it stands, what it shows, and when."""

from overlay.readout.model import Readout
from overlay.readout.scan import read_readout
from overlay.readout.updates import Updates, updates_of

__all__ = ["Readout", "Updates", "read_readout", "updates_of"]
