"""Measures etched carbides in micrographs of tool steel."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from micro.comparison.specimen import Specimen as Specimen
    from micro.comparison.specimen import compare as compare
    from micro.field import FieldResult as FieldResult
    from micro.field import measure as measure
    from micro.image.micrograph import Micrograph as Micrograph
    from micro.image.reading import read as read
    from micro.measures.particles import measure_particles as measure_particles
    from micro.measures.totals import measure_field as measure_field
    from micro.pictures.outlines import draw_outlines as draw_outlines
    from micro.scale.calibration import calibrate as calibrate
    from micro.scale.scale import Scale as Scale
    from micro.segmentation.segmentation import SegmentationSettings as SegmentationSettings
    from micro.segmentation.stages import segment as segment
    from micro.specimens.summary import summarise as summarise

__version__ = "0.1.0"
_ROOMS = {
    "FieldResult": "field",
    "Micrograph": "image.micrograph",
    "Scale": "scale.scale",
    "SegmentationSettings": "segmentation.segmentation",
    "Specimen": "comparison.specimen",
    "calibrate": "scale.calibration",
    "compare": "comparison.specimen",
    "draw_outlines": "pictures.outlines",
    "measure": "field",
    "measure_field": "measures.totals",
    "measure_particles": "measures.particles",
    "read": "image.reading",
    "segment": "segmentation.stages",
    "summarise": "specimens.summary",
}
__all__ = [*_ROOMS]


def __getattr__(name: str) -> Any:
    # Rooms load numeric libraries; `micro --help` must not.
    if name in _ROOMS:
        from importlib import import_module

        return getattr(import_module(f"micro.{_ROOMS[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
