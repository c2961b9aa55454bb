"""Figures: how they look, and those of a specimen and a field."""
