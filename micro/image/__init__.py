"""Micrographs: pixels with their scale, rolling direction and origin."""
