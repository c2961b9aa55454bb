"""Measures etched carbides in micrographs of tool steel."""

__version__ = "0.1.0"
