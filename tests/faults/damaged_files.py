"""A few hundred damaged or hostile pictures, made when wanted and never stored."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import tifffile

NAMES = [
    "quote'.tif", 'double".tif', "line\nbreak.tif", "<script>alert(1)<", "=1+1.tif", "@sum.tif", "härte µ 碳.tif",
    "x" * 251 + ".tif", " .tif", "-rf.tif", "tab\t.tif", "\u202egnp.tif", "..tif", "a;b&c.tif", "%s%n.tif",
]  # fmt: skip


def pictures(folder: Path) -> dict[str, bytes]:
    """Sound files of each kind by ending."""
    grey = np.random.default_rng(5).integers(40, 200, (64, 96), dtype=np.uint8)
    found = {e: cv2.imencode(f".{e}", grey)[1].tobytes() for e in ("png", "jpg", "bmp")}
    for ending, options in (("tif", {}), ("tiled.tif", {"tile": (32, 32), "compression": "zlib"})):
        tifffile.imwrite(folder / "sound", grey, **options)  # type: ignore[arg-type]
        found[ending] = (folder / "sound").read_bytes()
    (folder / "sound").unlink()
    return found


def damaged(folder: Path) -> Iterator[Path]:
    """Write and name one file after the other."""
    sound = pictures(folder)
    count = 0

    def write(data: bytes, name: str = "", ending: str = "tif") -> Path:
        nonlocal count
        count += 1
        path = folder / (name or f"{count:04d}.{ending}")
        path.write_bytes(data)
        return path

    rng = np.random.default_rng(6)
    for ending, data in sound.items():
        edges = {0, 1, 2, 4, 7, 8, 9, 12, 16, 20, 26, 33, 41, 54, 64, 128, 256, *range(0, len(data), len(data) // 12)}
        for place in sorted({*edges, len(data) - 1} - {len(data)}):
            yield write(data[:place], ending=ending)
        for _ in range(30):
            changed = bytearray(data)
            for place in rng.integers(0, min(len(data), 600), 3):
                changed[place] ^= int(rng.integers(1, 256))
            yield write(bytes(changed), ending=ending)
    for entries in absurd_directories():
        yield write(tiff_of(entries))
    yield write(struct.pack("<2sHIH", b"II", 42, 8, 0) + struct.pack("<I", 8))  # a directory that follows itself
    yield write(b"II*\0" + struct.pack("<I", 0))
    yield write(b"II+\0" + struct.pack("<HHQ", 8, 0, 16) + struct.pack("<Q", 2**63))
    for width, height in ((2**31 - 1, 2**31 - 1), (0, 5), (30000, 30000)):
        yield write(png_of(width, height), ending="png")
    for ending in ("png", "jpg", "bmp"):
        yield write(b"this is text\n", ending=ending)
        yield write(sound["tif"], ending=ending)
    for value in (np.nan, np.inf, -1.0, 1e38):
        tifffile.imwrite(folder / f"float{value}.tif", np.pad(np.full((40, 40), value, np.float32), 4))
        yield folder / f"float{value}.tif"
    for name in NAMES:
        yield write(sound["tif"][:200], name=name)


def absurd_directories() -> Iterator[dict[int, int]]:
    """TIFF tags of which one or two make no sense."""
    plain = {256: 64, 257: 64, 258: 8, 259: 1, 262: 1, 273: 8, 277: 1, 278: 64, 279: 4096}
    for tag in plain:
        for value in (0, 1, 3, 65535, 2**31, 2**32 - 1):
            yield plain | {tag: value}
        yield {key: value for key, value in plain.items() if key != tag}


def tiff_of(entries: dict[int, int]) -> bytes:
    """Little-endian TIFF with 4096 bytes of picture and one directory."""
    body = bytes(range(256)) * 16
    rows = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in sorted(entries.items()))
    return struct.pack("<2sHI", b"II", 42, 8 + len(body)) + body + struct.pack("<H", len(entries)) + rows + bytes(4)


def png_of(width: int, height: int) -> bytes:
    """PNG that claims a size and holds a few bytes."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")
