"""Micrographs: pixels with their scale, rolling direction and origin."""

from micro.micrograph.micrograph import Micrograph

__all__ = ["Micrograph"]
