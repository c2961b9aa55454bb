"""Outlines taught by the points that a person answered, and the area fraction put right by them."""
