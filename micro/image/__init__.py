"""Micrographs: pixels with their scale, rolling direction and origin."""

from micro.image.micrograph import Micrograph
from micro.image.pixels import Header
from micro.image.reading import probe, read

__all__ = ["Header", "Micrograph", "probe", "read"]
