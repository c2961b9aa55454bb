"""Bands over the whole width of a mosaic, which is measured part by part: wider ones than any part can show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.measures.banding import BIN_PX, CELL_PX, Banding, Frame, Profile, bands_of_points

FloatArray = NDArray[np.float64]

SEEN_AT_PX = 2048
"""Longer side to which a mosaic is reduced: that of one part. Narrower bands show in the parts themselves. Chosen."""


@dataclass(frozen=True, eq=False)
class Part:
    """A part of a mosaic that was measured to its edges, px of the mosaic.

    Parameters
    ----------
    top, left, bottom, right
        Its core.
    x, y, area
        (n,) centroids and areas of its carbides.
    """

    top: int
    left: int
    bottom: int
    right: int
    x: FloatArray
    y: FloatArray
    area: FloatArray


@dataclass(frozen=True)
class MosaicBanding:
    """Bands of a mosaic as a whole, px of the mosaic.

    Parameters
    ----------
    bands
        As of a field, in pixels `reduced` times as large.
    reduced
        Pixels of the mosaic in one of those.
    extent
        Extent of the measured parts across rolling.
    """

    bands: Banding
    reduced: int
    extent: float

    @property
    def spacing(self) -> tuple[float, float, float]:
        """Of the strongest bands, with half a cycle more and less in the extent: so far waves are told apart."""
        spacing = self.bands.spacing * self.reduced
        half = 0.5 / self.extent
        return spacing, 1 / (1 / spacing + half), 1 / (1 / spacing - half)


def mosaic_banding(parts: Sequence[Part], shape: tuple[int, int], rolling_deg: float) -> MosaicBanding:
    """Test all measured parts of a mosaic together for bands, as `banding` tests a field.

    Parameters
    ----------
    parts
        One or more; what lies in no part counts as not analysed.
    shape
        (rows, columns) of the mosaic.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen.
    """
    reduced = max(1, -(-max(shape) // SEEN_AT_PX))
    excluded = np.ones(tuple(-(-side // reduced) for side in shape), bool)
    for part in parts:
        rows = slice(part.top // reduced, -(-part.bottom // reduced))
        excluded[rows, part.left // reduced : -(-part.right // reduced)] = False
    x, y, area = (np.concatenate([getattr(part, name) for part in parts]) for name in ("x", "y", "area"))
    points = x / reduced, y / reduced, area / reduced**2
    frame = Frame.of(excluded, rolling_deg)
    across = frame.turn(points[0], points[1])[0]
    curve = _profile(across, points[2], frame, int(np.count_nonzero(~excluded)))
    bands = bands_of_points(points, frame, curve, excluded.shape)
    return MosaicBanding(bands, reduced, float(np.ptp(frame.u[frame.share > 0])) * reduced)


def _profile(across: FloatArray, area: FloatArray, frame: Frame, analysed_px: int) -> Profile:
    """Profile in which every carbide and every cell lies where its middle is."""
    first = np.floor(min(frame.u.min(), across.min(initial=np.inf)) / CELL_PX)
    seen, carbide = ((u / CELL_PX - first).astype(np.intp) for u in (frame.u, across))
    bins = int(max(seen.max(), carbide.max(initial=0))) + 1
    analysed = np.bincount(seen, frame.share * analysed_px, bins)
    # Beyond the middle of the last cell, in a corner of a turned mosaic, nothing is said to be analysed.
    by_cell = np.bincount(carbide, area, bins) * (analysed > 0), analysed
    fine = CELL_PX // int(BIN_PX)
    position = (first * fine + 0.5 + np.arange(bins * fine)) * BIN_PX
    return Profile(position, *(np.repeat(values, fine) / fine for values in by_cell))
