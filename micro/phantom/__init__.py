"""Invented micrographs with a known answer."""

from micro.phantom.picture import Coverage, Optics, cover, photograph
from micro.phantom.shapes import Shapes, place_at_random, shapes

__all__ = ["Coverage", "Optics", "Shapes", "cover", "photograph", "place_at_random", "shapes"]
