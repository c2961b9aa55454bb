"""A few hundred damaged or hostile pictures, made when wanted and never stored."""

from __future__ import annotations

import io
import itertools
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from PIL import Image

NAMES = [
    "quote'.tif", 'double".tif', "line\nbreak.tif", "<script>alert(1)<", "=1+1.tif", "@sum.tif", "härte µ 碳.tif",
    "x" * 251 + ".tif", " .tif", "-rf.tif", "tab\t.tif", "\u202egnp.tif", "..tif", "a;b&c.tif", "%s%n.tif",
    "{{ 7 * 7 }}.tif", "\x1b[31mred.tif", "`id`.tif", "$HOME.tif", "' onload='x.tif",
]  # fmt: skip
BYTE, ASCII, SHORT, LONG, UNDEFINED = 1, 2, 3, 4, 7
PLAIN = {256: 64, 257: 64, 258: 8, 259: 1, 262: 1, 273: 8, 277: 1, 278: 64, 279: 4096}
SUB_DIRECTORIES, EXIF_DIRECTORY = 330, 34665


def damaged(folder: Path) -> Iterator[Path]:
    """Write and name one file after the other."""
    sound = sound_pictures()
    rng = np.random.default_rng(6)
    made = itertools.chain(
        (cut for each in sound.items() for cut in truncations(*each)),
        (flip for each in sound.items() for flip in flipped(*each, rng)),
        (("tif", tiff_of(entries)) for entries in absurd_tags()),
        (("tif", data) for data in odd_directories()),
        bombs(),
        odd_pixels(rng),
        mislabelled(sound),
    )
    for number, (ending, data) in enumerate(made):
        path = folder / f"{number:04d}.{ending}"
        path.write_bytes(data)
        yield path
    for name in NAMES:
        path = folder / name
        path.write_bytes(sound["tif"][:200])
        yield path


def sound_pictures() -> dict[str, bytes]:
    """Sound files of each kind by ending."""
    grey = np.random.default_rng(5).integers(40, 200, (64, 96), dtype=np.uint8)
    found = {ending: cv2.imencode(f".{ending}", grey)[1].tobytes() for ending in ("png", "jpg", "bmp")}
    return found | {"tif": as_tiff(grey), "tiled.tif": as_tiff(grey, tile=(32, 32), compression="zlib")}


def as_tiff(values: np.ndarray, **options: Any) -> bytes:
    """TIFF file as bytes."""
    stream = io.BytesIO()
    tifffile.imwrite(stream, values, **options)
    return stream.getvalue()


def truncations(ending: str, data: bytes) -> Iterator[tuple[str, bytes]]:
    """Cut at the edges of what the file is made of, and evenly in between."""
    edges = {0, 1, 2, 4, 7, 8, 9, 12, 16, 20, 26, 33, 41, 54, 64, 128, 256, *range(0, len(data), len(data) // 12)}
    for place in sorted({*edges, len(data) - 1} - {len(data)}):
        yield ending, data[:place]


def flipped(ending: str, data: bytes, rng: np.random.Generator) -> Iterator[tuple[str, bytes]]:
    """Change three bytes near the start, where the structure is."""
    for _ in range(12):
        changed = bytearray(data)
        for place in rng.integers(0, min(len(data), 600), 3):
            changed[place] ^= int(rng.integers(1, 256))
        yield ending, bytes(changed)


def absurd_tags() -> Iterator[dict[int, int | tuple]]:
    """TIFF tags of which one or two make no sense: sizes, bits, packing, strips, kinds of number, doubled values."""
    for tag in PLAIN:
        for value in (0, 1, 3, 65535, 2**31, 2**32 - 1):
            yield PLAIN | {tag: value}
        yield {key: value for key, value in PLAIN.items() if key != tag}
        yield PLAIN | {tag: (SHORT, 2, PLAIN[tag] | 0x10000)}
        yield PLAIN | {tag: (ASCII, 4, 0x41414141)}
    for packing in (2, 3, 4, 6, 9, 32771, 34712, 50000, 50002, 60000):
        yield PLAIN | {259: packing}
    for tag, value in ((266, 2), (274, 99), (284, 7), (317, 9), (322, 7), (339, 6), (32997, 3), (320, 8)):
        yield PLAIN | {tag: value}


def tiff_of(entries: dict[int, Any], after: int = 0) -> bytes:
    """Little-endian TIFF with 4096 bytes of picture and one directory; `after` is where the next one stands."""
    body = bytes(range(256)) * 16
    return struct.pack("<2sHI", b"II", 42, 8 + len(body)) + body + directory(entries, after)


def directory(entries: dict[int, Any], after: int = 0) -> bytes:
    """TIFF directory; a value alone is one LONG, else it is given as kind, count and value or place."""
    told = {tag: entry if isinstance(entry, tuple) else (LONG, 1, entry) for tag, entry in entries.items()}
    rows = b"".join(struct.pack("<HHII", tag, *entry) for tag, entry in sorted(told.items()))
    return struct.pack("<H", len(entries)) + rows + struct.pack("<I", after)


def odd_directories() -> Iterator[bytes]:
    """List directories that follow or nest in one another, lie beyond the end, or number thousands."""
    first = 8 + 4096
    length = len(directory(PLAIN))
    yield tiff_of(PLAIN, after=first)
    yield tiff_of(PLAIN, after=first + length) + directory(PLAIN, after=first)
    yield tiff_of(PLAIN, after=2**31)
    yield tiff_of(PLAIN, after=first + 3)
    for tag in (SUB_DIRECTORIES, EXIF_DIRECTORY, 34853):
        yield tiff_of(PLAIN | {tag: first})
        yield tiff_of(PLAIN | {tag: first + length + 12}) + directory(PLAIN | {tag: first})
        yield tiff_of(PLAIN | {tag: 2**32 - 1})
    yield tiff_of(PLAIN | {SUB_DIRECTORIES: (LONG, 2**28, first)})
    nested = tiff_of(PLAIN | {SUB_DIRECTORIES: first + length + 12})
    for depth in range(200):
        nested += directory(PLAIN | {SUB_DIRECTORIES: first + (depth + 2) * (length + 12)})
    yield nested
    chain = b"".join(directory(PLAIN, after=first + (number + 1) * length) for number in range(1, 5000))
    yield tiff_of(PLAIN, after=first + length) + chain
    yield struct.pack("<2sHIH", b"II", 42, 8, 0) + struct.pack("<I", 8)
    yield struct.pack("<2sHIH", b"II", 42, 8, 65535)
    yield b"II*\0" + struct.pack("<I", 0)
    yield b"II+\0" + struct.pack("<HHQ", 8, 0, 16) + struct.pack("<Q", 2**63)


def bombs() -> Iterator[tuple[str, bytes]]:
    """Small files that claim, or unpack to, far more than a micrograph."""
    for width, height in ((2**31 - 1, 2**31 - 1), (0, 5), (30000, 30000), (6000, 6000), (1, 2**20)):
        yield "png", png_of(width, height, zlib.compress(bytes(1000)))
    yield "png", png_of(5000, 5000, zlib.compress(bytes(5001 * 5000), 9))
    packed = zlib.compress(bytes(100_000_000))
    yield "png", png_of(64, 64, packed)
    for more in (chunk(b"zTXt", b"Comment\0\0" + packed), chunk(b"iCCP", b"x\0\0" + packed)):
        yield "png", png_of(64, 64, zlib.compress(bytes(65 * 64)), more)
    for packing in (8, 32946):
        entries = PLAIN | {259: packing, 273: 4300, 279: len(packed)}
        yield "tif", tiff_of(entries).ljust(4300, b"\0") + packed
    rows = 16000
    offsets = struct.pack(f"<{rows}I", *[8] * rows)
    counts = struct.pack(f"<{rows}I", *[rows] * rows)
    place = 8 + 4096 + 200
    shared = PLAIN | {256: rows, 257: rows, 278: 1, 273: (LONG, rows, place), 279: (LONG, rows, place + len(offsets))}
    yield "tif", tiff_of(shared).ljust(place, b"\0") + offsets + counts + bytes(20_000)
    yield "tif", tiff_of(shared).ljust(place, b"\0") + offsets + counts + bytes(2_500_000)
    grey = np.random.default_rng(7).integers(40, 200, (64, 96), dtype=np.uint8)
    slow = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_PROGRESSIVE, 1])[1].tobytes()
    *start, last = slow.split(b"\xff\xda")
    yield "jpg", b"\xff\xda".join([*start, *[last[:-2]] * 300, last])


def chunk(kind: bytes, data: bytes) -> bytes:
    """Part of a PNG with its checksum."""
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png_of(width: int, height: int, packed: bytes, more: bytes = b"") -> bytes:
    """Grey PNG that claims a size and holds what is given."""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + more + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


def odd_pixels(rng: np.random.Generator) -> Iterator[tuple[str, bytes]]:
    """Sound files that hold no grey levels of a micrograph."""
    grey = rng.integers(40, 200, (64, 96), dtype=np.uint8)
    for value in (np.nan, np.inf, -np.inf, -1.0, 1e38):
        floats = grey.astype(np.float32)
        floats[3, 4] = value
        yield "tif", as_tiff(floats)
    yield "tif", as_tiff(grey.astype(np.int16) - 100)
    yield "tif", as_tiff(grey.astype(np.uint32) * 10**7)
    yield "tif", as_tiff(grey.astype(np.complex64))
    yield "tif", as_tiff(grey > 100)
    yield "tif", as_tiff(np.stack([grey] * 5, axis=2), photometric="minisblack", planarconfig="contig")
    yield "tif", as_tiff(np.stack([grey] * 4, axis=2), photometric="separated")
    yield "tif", as_tiff(np.stack([grey] * 6), photometric="minisblack")
    palette = np.zeros((3, 256), np.uint16)
    yield "tif", as_tiff(grey, photometric="palette", colormap=palette)
    for mode, kind, ending in (
        ("CMYK", "JPEG", "jpg"),
        ("1", "PNG", "png"),
        ("P", "GIF", "gif"),
        ("L", "WEBP", "webp"),
    ):
        stream = io.BytesIO()
        Image.fromarray(grey).convert("RGB" if mode == "CMYK" else "L").convert(mode).save(stream, kind)
        yield ending, stream.getvalue()
    for level in (0, 90, 255):
        yield "png", cv2.imencode(".png", np.full((64, 96), level, np.uint8))[1].tobytes()
    yield "png", cv2.imencode(".png", grey[:20])[1].tobytes()


def mislabelled(sound: dict[str, bytes]) -> Iterator[tuple[str, bytes]]:
    """Write what an ending does not promise."""
    others = (b"this is text\n", b"%PDF-1.7\n", b"PK\x03\x04" + bytes(60), b"<svg xmlns='x'/>", bytes(5000))
    for ending in ("png", "jpg", "bmp", "tif"):
        for content in others:
            yield ending, content
        yield ending, sound["png" if ending == "tif" else "tif"]
