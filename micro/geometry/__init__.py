"""Geometry of labels: runs, moments, outlines, regions."""
