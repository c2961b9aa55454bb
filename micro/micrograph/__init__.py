"""Micrographs: pixels with their scale, rolling direction and origin."""

from micro.micrograph.micrograph import Micrograph
from micro.micrograph.pixels import Header
from micro.micrograph.reading import probe, read

__all__ = ["Header", "Micrograph", "probe", "read"]
