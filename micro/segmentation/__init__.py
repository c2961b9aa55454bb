"""From grey levels to carbides: shading, levels, outline, split."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from micro.segmentation.segmentation import CarbideClass, Segmentation, SegmentationSettings

if TYPE_CHECKING:
    from micro.segmentation.stages import segment

__all__ = ["CarbideClass", "Segmentation", "SegmentationSettings", "segment"]


def __getattr__(name: str) -> Any:
    # The settings are read by every command; OpenCV is loaded only when a picture is segmented.
    if name == "segment":
        from micro.segmentation.stages import segment

        return segment
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
