"""PNG of large pictures: outlines are packed as fast as they are drawn."""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

QUICK = 1
"""Level of packing. One of 2048 × 2048 px with noise takes a third of zlib's time for runs alone, for as many bytes;
the next levels save none."""
BLOCK_PX = 2**20  # at a time (chosen)
NO_INTERLACING = bytes(3)


def png(picture: NDArray[np.uint8] | NDArray[np.bool_], palette: NDArray[np.uint8] | None = None) -> bytes:
    """Pack a picture (PNG specification, W3C 2003).

    Parameters
    ----------
    picture
        (rows, columns) numbers of a palette or greys, a byte each; or True and False, a bit each: white and black.
    palette
        (at most 256, 3) RGB; None: greys.
    """
    from isal import isal_zlib

    bits = 1 if picture.dtype == bool else 8
    rows, columns = picture.shape
    packer, packed = isal_zlib.compressobj(QUICK), []
    step = max(1, BLOCK_PX // max(1, columns))
    for top in range(0, rows, step):
        block = picture[top : top + step]
        block = np.packbits(block, axis=1) if bits == 1 else block
        # Each line begins with a byte that says that it stands as it is.
        lines = np.concatenate([np.zeros((len(block), 1), np.uint8), block], axis=1)
        packed.append(packer.compress(lines.data))
    head = struct.pack(">IIBB", columns, rows, bits, 0 if palette is None else 3) + NO_INTERLACING
    parts = [(b"IHDR", head)]
    if palette is not None:
        parts.append((b"PLTE", palette.tobytes()))
    parts += [(b"IDAT", b"".join([*packed, packer.flush()])), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(content, zlib.crc32(kind)))
        for kind, content in parts
    )
