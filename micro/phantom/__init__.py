"""Invented micrographs with a known answer."""
