"""Micrometres per pixel: from a stage micrometer, a file's tags, or the user."""
