"""Invented micrographs with a known answer."""

from micro.phantom.coverage import Coverage, cover
from micro.phantom.defects import Damage
from micro.phantom.picture import Optics, photograph
from micro.phantom.placing import place_at_random
from micro.phantom.scenes import Population, Scene, make_field
from micro.phantom.sections import boolean_model, cover_mask, sphere_sections
from micro.phantom.shapes import Shapes, shapes
from micro.phantom.truth import Truth

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
