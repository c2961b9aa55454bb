"""Invented pictures as files that say their scale."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray


def write_tiff(path: Path, grey: NDArray[np.float32], um_per_px: float, bits: int = 8) -> None:
    """Write a grey TIFF, compressed without loss, with the scale in its resolution tags (px per cm).

    Parameters
    ----------
    grey
        (rows, columns) whole levels from 0 to 2**bits - 1.
    bits
        8 or 16.
    """
    import tifffile

    tifffile.imwrite(
        path,
        grey.astype(np.uint8 if bits == 8 else np.uint16),
        compression="zlib",
        compressionargs={"level": 9},
        predictor=2,
        resolution=(1e4 / um_per_px, 1e4 / um_per_px),
        resolutionunit="CENTIMETER",
        software="",
        metadata=None,
    )
