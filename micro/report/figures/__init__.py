"""Figures of the report, each readable without the text."""
