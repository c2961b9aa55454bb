"""From grey levels to carbides: shading, levels, outline, split."""

from micro.segmentation.segmentation import CarbideClass, Segmentation, SegmentationSettings

__all__ = ["CarbideClass", "Segmentation", "SegmentationSettings"]
