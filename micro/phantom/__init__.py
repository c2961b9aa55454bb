"""Invented micrographs with a known answer."""

from micro.phantom.coverage import Coverage, cover
from micro.phantom.picture import Optics, photograph
from micro.phantom.placing import place_at_random
from micro.phantom.shapes import Shapes, shapes

__all__ = ["Coverage", "Optics", "Shapes", "cover", "photograph", "place_at_random", "shapes"]
