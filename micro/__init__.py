"""Measures etched carbides in micrographs of tool steel."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from micro.field import FieldResult, measure
    from micro.image import Micrograph, read
    from micro.measures import measure_field, measure_particles
    from micro.pictures import draw_outlines
    from micro.scale import Scale, calibrate
    from micro.segmentation import SegmentationSettings, segment
    from micro.specimens import summarise

__version__ = "0.1.0"
__all__ = [
    "FieldResult",
    "Micrograph",
    "Scale",
    "SegmentationSettings",
    "calibrate",
    "draw_outlines",
    "measure",
    "measure_field",
    "measure_particles",
    "read",
    "segment",
    "summarise",
]

_ROOMS = {
    "FieldResult": "field",
    "Micrograph": "image",
    "Scale": "scale",
    "SegmentationSettings": "segmentation",
    "calibrate": "scale",
    "draw_outlines": "pictures",
    "measure": "field",
    "measure_field": "measures",
    "measure_particles": "measures",
    "read": "image",
    "segment": "segmentation",
    "summarise": "specimens",
}


def __getattr__(name: str) -> Any:
    # Rooms load numeric libraries; `micro --help` must not.
    if name in _ROOMS:
        from importlib import import_module

        return getattr(import_module(f"micro.{_ROOMS[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
