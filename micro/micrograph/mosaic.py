"""A stitched mosaic as a grid of sub-fields, each small enough to be measured by itself."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

# Up to here a picture is measured in one piece: about 1.5 GB of working memory.
LARGEST_FIELD_PX = 36_000_000
CORE_PX = 2048
MARGIN_PX = 256


@dataclass(frozen=True)
class SubField:
    """One part of a mosaic: the core it answers for, and the frame that is read about it; px of the mosaic.

    A carbide belongs to the sub-field whose core holds its centroid, so that carbides across seams are measured
    once and whole as long as they reach less than the margin beyond the core.
    """

    top: int
    left: int
    bottom: int
    right: int
    mosaic_rows: int
    mosaic_columns: int
    margin_px: int = MARGIN_PX

    @property
    def frame(self) -> tuple[int, int, int, int]:
        """Top, left, bottom and right of what is read."""
        return (
            max(self.top - self.margin_px, 0),
            max(self.left - self.margin_px, 0),
            min(self.bottom + self.margin_px, self.mosaic_rows),
            min(self.right + self.margin_px, self.mosaic_columns),
        )

    @property
    def core_in_frame(self) -> tuple[slice, slice]:
        """Rows and columns of the core in what is read."""
        top, left, _, _ = self.frame
        return slice(self.top - top, self.bottom - top), slice(self.left - left, self.right - left)


def sub_fields(rows: int, columns: int, core_px: int = CORE_PX, margin_px: int = MARGIN_PX) -> list[list[SubField]]:
    """Cut a mosaic into rows of sub-fields with cores of nearly one size, at most `core_px` a side."""
    edges_y, edges_x = _edges(rows, core_px), _edges(columns, core_px)
    return [
        [SubField(top, left, bottom, right, rows, columns, margin_px) for left, right in itertools.pairwise(edges_x)]
        for top, bottom in itertools.pairwise(edges_y)
    ]


def _edges(length: int, most: int) -> list[int]:
    parts = math.ceil(length / most)
    return [round(length * i / parts) for i in range(parts + 1)]
