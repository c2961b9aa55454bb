"""PNG of large pictures, packed block by block: the same bytes for the same pixels."""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

QUICK = 1
"""Level of packing: the next ones take more time than they save bytes. Of one library, always the same bytes."""
BLOCK_PX = 2**20  # at a time (chosen)
NO_INTERLACING = bytes(3)
GREY, COLOURED, NUMBERS = 0, 2, 3
"""Kinds of pixels by their numbers in the specification."""


def png(
    picture: NDArray[np.uint8] | NDArray[np.bool_], palette: NDArray[np.uint8] | None = None, dpi: float | None = None
) -> bytes:
    """Pack a picture (PNG specification, W3C 2003).

    Parameters
    ----------
    picture
        (rows, columns) numbers of a palette or greys, a byte each; (rows, columns, 3) red, green and blue; or True and
        False (rows, columns), a bit each: white and black.
    palette
        (at most 256, 3) RGB; None: greys or colours.
    dpi
        Dots per inch; None: not said.
    """
    bits = 1 if picture.dtype == bool else 8
    rows, columns = picture.shape[:2]
    kind = COLOURED if picture.ndim == 3 else GREY if palette is None else NUMBERS
    # Noise of a byte a pixel repeats itself nowhere but in runs: to look no further takes half the time, and less room.
    strategy = zlib.Z_DEFAULT_STRATEGY if kind == COLOURED else zlib.Z_RLE
    packer, packed = zlib.compressobj(QUICK, strategy=strategy), []
    step = max(1, BLOCK_PX // max(1, columns))
    for top in range(0, rows, step):
        block = picture[top : top + step]
        block = np.packbits(block, axis=1) if bits == 1 else block.reshape(len(block), -1)
        # Each line begins with a byte that says that it stands as it is.
        lines = np.concatenate([np.zeros((len(block), 1), np.uint8), block], axis=1)
        packed.append(packer.compress(lines.data))
    head = struct.pack(">IIBB", columns, rows, bits, kind) + NO_INTERLACING
    parts = [(b"IHDR", head)]
    if dpi is not None:
        per_metre = round(dpi / 0.0254)
        parts.append((b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)))
    if palette is not None:
        parts.append((b"PLTE", palette.tobytes()))
    parts += [(b"IDAT", b"".join([*packed, packer.flush()])), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(content, zlib.crc32(name)))
        for name, content in parts
    )
