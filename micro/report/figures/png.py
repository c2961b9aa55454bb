"""A drawing as PNG: without a date, and several times faster than a writer for photographs.

Lines on white need no filter before they are packed (ISO/IEC 15948, 9: filter type 0), and nothing shines through them.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

INCH_M = 0.0254
PACKED = 3
"""Level of packing; the next one takes half as long again."""


def png(pixels: NDArray[np.uint8], dpi: float) -> bytes:
    """PNG of (rows, columns, 4) red, green, blue and opacity, all opaque, shown at `dpi` dots per inch."""
    rows, columns, _ = pixels.shape
    lines = np.zeros((rows, 1 + 3 * columns), np.uint8)
    # Colour by colour: five times faster than all at once.
    for number in range(3):
        lines[:, 1 + number :: 3] = pixels[..., number]
    dots_per_m = round(dpi / INCH_M)
    return b"\x89PNG\r\n\x1a\n" + b"".join((
        _chunk(b"IHDR", struct.pack(">2I5B", columns, rows, 8, 2, 0, 0, 0)),
        _chunk(b"pHYs", struct.pack(">2IB", dots_per_m, dots_per_m, 1)),
        _chunk(b"IDAT", zlib.compress(lines.data, PACKED)),
        _chunk(b"IEND", b""),
    ))  # fmt: skip


def _chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))
