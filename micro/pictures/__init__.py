"""Pictures for people: what was measured, drawn on the micrograph."""

from micro.pictures.outlines import draw_outlines

__all__ = ["draw_outlines"]
