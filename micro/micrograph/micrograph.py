"""One field as a picture."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from micro.micrograph.mosaic import SubField
from micro.scale import Scale


@dataclass(frozen=True, eq=False)
class Micrograph:
    """The analysed part of one picture, and what is known of it.

    Parameters
    ----------
    grey
        (rows, columns) float32, grey levels as in the file; the data bar is gone.
    grey_max
        Full scale of the sensor in the same levels: 255, 4095, 65535, ...
    name
        Name of the field.
    scale
        Size of a pixel; None where nothing states it.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen, 0 to 180; None where unknown.
    path, sha256
        The file, and the hash of its bytes; None and "" for a picture that was made in memory.
    data_bar
        (rows, columns) float32, the rows cut off at the bottom; no rows where nothing was cut.
    messages
        What the reading noticed: page taken, colour turned to grey, rows cut, saturation.
    """

    grey: NDArray[np.float32]
    grey_max: float = 255.0
    name: str = "field"
    scale: Scale | None = None
    rolling_deg: float | None = None
    path: Path | None = None
    sha256: str = ""
    data_bar: NDArray[np.float32] = field(default_factory=lambda: np.empty((0, 0), np.float32))
    messages: tuple[str, ...] = ()

    def cropped(self, part: tuple[slice, slice]) -> Micrograph:
        """Return rows and columns of it, everything else as it is."""
        return replace(self, grey=self.grey[part])

    def core_of(self, sub_field: SubField | None) -> Micrograph:
        """Return the core of what was read of a part of a mosaic; itself where it is no such part."""
        return self if sub_field is None else self.cropped(sub_field.core_in_frame)
