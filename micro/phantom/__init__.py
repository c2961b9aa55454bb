"""Invented micrographs with a known answer."""

from micro.phantom.coverage import Coverage, boolean_model, cover, cover_mask, sphere_sections
from micro.phantom.defects import Damage
from micro.phantom.picture import Optics, Truth, photograph
from micro.phantom.scenes import Population, Scene, make_field, place_at_random
from micro.phantom.shapes import Shapes, shapes

__all__ = [
    "Coverage",
    "Damage",
    "Optics",
    "Population",
    "Scene",
    "Shapes",
    "Truth",
    "boolean_model",
    "cover",
    "cover_mask",
    "make_field",
    "photograph",
    "place_at_random",
    "shapes",
    "sphere_sections",
]
