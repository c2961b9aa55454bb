"""Micrometres per pixel: from a stage micrometer, a file's tags, or the user."""

from micro.scale.scale import Scale

__all__ = ["Scale"]
