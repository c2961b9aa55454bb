"""Measures etched carbides in micrographs of tool steel."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from micro.comparison.specimen import Specimen, compare
    from micro.field import FieldResult, measure
    from micro.image.micrograph import Micrograph
    from micro.image.reading import read
    from micro.measures.particles import measure_particles
    from micro.measures.totals import measure_field
    from micro.pictures.outlines import draw_outlines
    from micro.scale.micrometer import calibrate
    from micro.scale.scale import Scale
    from micro.segmentation.segmentation import SegmentationSettings
    from micro.segmentation.stages import segment
    from micro.specimens.summary import summarise

__version__ = "0.1.0"
__all__ = [
    "FieldResult",
    "Micrograph",
    "Scale",
    "SegmentationSettings",
    "Specimen",
    "calibrate",
    "compare",
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
    "Micrograph": "image.micrograph",
    "Scale": "scale.scale",
    "SegmentationSettings": "segmentation.segmentation",
    "Specimen": "comparison.specimen",
    "calibrate": "scale.micrometer",
    "compare": "comparison.specimen",
    "draw_outlines": "pictures.outlines",
    "measure": "field",
    "measure_field": "measures.totals",
    "measure_particles": "measures.particles",
    "read": "image.reading",
    "segment": "segmentation.stages",
    "summarise": "specimens.summary",
}


def __getattr__(name: str) -> Any:
    # Rooms load numeric libraries; `micro --help` must not.
    if name in _ROOMS:
        from importlib import import_module

        return getattr(import_module(f"micro.{_ROOMS[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
