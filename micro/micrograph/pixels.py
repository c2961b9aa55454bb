"""What the format readers hand over: a header before decoding, pixels after it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


class UnusableError(Exception):
    """A picture of a sound format that is no micrograph; the reader adds the file's name."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(problem, remedy)


@dataclass(frozen=True)
class Header:
    """What a file says of itself before anything is decoded.

    Parameters
    ----------
    format
        TIFF, PNG, JPEG or BMP, by content.
    shape
        (rows, columns) as stored, before any orientation tag.
    dtype
        Of one sample.
    channels
        Samples a pixel.
    pages
        Pages of a TIFF (counted up to a limit), pictures of an animation.
    compression
        Name of the compression.
    page
        The page the rest of the header speaks of, from 1.
    bytes_packed
        Bytes of the file that hold its pixels, each counted once; None: not told apart from the rest.
    """

    format: str
    shape: tuple[int, int]
    dtype: np.dtype
    channels: int
    pages: int
    compression: str
    page: int = 1
    bytes_packed: int | None = None

    @property
    def pixels(self) -> int:
        """Number of pixels."""
        return self.shape[0] * self.shape[1]

    @property
    def bytes_decoded(self) -> int:
        """Bytes the pixels fill once decoded."""
        return self.pixels * self.channels * self.dtype.itemsize


@dataclass(frozen=True, eq=False)
class Pixels:
    """Decoded samples as stored.

    Parameters
    ----------
    values
        (rows, columns) or (rows, columns, samples), any real dtype.
    grey_max
        Full scale where the file states it; None: from dtype and values.
    inverted
        True where 0 is white.
    orientation
        The orientation tag, 1 to 8 (TIFF 6.0, tag 274).
    messages
        What was noticed.
    """

    values: NDArray
    grey_max: float | None = None
    inverted: bool = False
    orientation: int = 1
    messages: tuple[str, ...] = ()
