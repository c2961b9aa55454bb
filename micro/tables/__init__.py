"""Columns of the tables."""
