"""Decoders held to what a file tells.

Packed pixels that are more or fewer than their header says, or one lump, are found before they are decoded. What
decoders written in C say on the error stream, instead of failing, is heard, judged, kept off the screen.
"""

from __future__ import annotations

import contextlib
import lzma
import math
import os
import re
import struct
import threading
import zlib
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from micro.image.pixels import UnusableError

MOST_IN_ONE_PIECE, MOST_OF_A_MOSAIC, MOST_OF_PACKBITS = 2**28, 2**26, 2**26
"""Bytes that one packed strip or tile may unpack to: of a field, of a mosaic whose parts each unpack it again, and of
PackBits, whose plain decoder takes eight bytes for one (measured). Chosen."""
LONGER_THAN_ITS_PIXELS, HEADERS = 4, 2**16
"""Bytes that a strip may be packed into, times its pixels and beyond: packing can lengthen, LZW by half; chosen."""
MOST_DICTIONARY = 2**28
REPEATED, NOTHING = 129, 128


def check_unpacking(page: Any, segments: Iterable[int], most: int = MOST_IN_ONE_PIECE) -> None:
    """Refuse a page of which a strip or tile unpacks to more or less than its pixels.

    The decoders of tifffile know no limit, and fill up with black what is missing.

    Parameters
    ----------
    page
        Of tifffile.
    segments
        Numbers of the strips or tiles that will be decoded.
    most
        Bytes that one may unpack to.

    Raises
    ------
    UnusableError
        Also where one is larger than `most`.
    """
    packing = getattr(page.compression, "name", "")
    size = math.prod(page.chunks) * page.dtype.itemsize
    if packing in ("NONE", ""):
        if sum(page.databytecounts) < sum(_least(page, i, size) for i in range(math.prod(page.chunked))):
            raise UnusableError("is damaged: its strips are shorter than its pixels", "save or copy it again")
        return
    if size > (MOST_OF_PACKBITS if packing == "PACKBITS" else most):
        raise UnusableError(
            f"is packed in pieces of {size // 2**20} MiB", "save it as a tiled TIFF, or without compression"
        )
    if packing in OF_ANY_SIZE:
        problem = f"is packed as {packing}, which may unpack to more than its pixels"
        raise UnusableError(problem, "save it without compression")
    unpacked = LENGTHS.get(packing)
    if packing in DECLARED:
        unpacked, size = _declared(packing), math.prod(_pixels_of(page))
    handle = page.parent.filehandle
    for index in segments:
        count = page.databytecounts[index]
        if count > LONGER_THAN_ITS_PIXELS * size + HEADERS:
            raise UnusableError("is damaged: a strip is longer than its pixels", "save or copy it again")
        if unpacked is not None:
            handle.seek(page.dataoffsets[index])
            length = unpacked(handle.read(count), size)
            if not _least(page, index, size) <= length <= size:
                than = "more" if length > size else "less"
                raise UnusableError(f"is damaged: a strip unpacks to {than} than its pixels", "save or copy it again")


def _pixels_of(page: Any) -> tuple[int, int]:
    """Rows and columns of a strip or tile."""
    return (page.tilelength, page.tilewidth) if page.is_tiled else (page.rowsperstrip, page.imagewidth)


def _least(page: Any, index: int, size: int) -> int:
    """Bytes that a strip or tile must hold: the last strip only its rows; 0 for pictures, or other than whole bytes."""
    if getattr(page.compression, "name", "") in DECLARED or page.bitspersample != 8 * page.dtype.itemsize:
        return 0
    if page.is_tiled:
        return size
    strips = -(-page.imagelength // page.rowsperstrip)
    rows = min(page.rowsperstrip, page.imagelength - (index % strips) * page.rowsperstrip)
    return size // page.rowsperstrip * rows if size % page.rowsperstrip == 0 else 0


def _deflated(packed: bytes, most: int) -> int:
    return len(zlib.decompressobj().decompress(packed, most + 1))


def _lzma(packed: bytes, most: int) -> int:
    return len(lzma.LZMADecompressor(memlimit=MOST_DICTIONARY).decompress(packed, most + 1))


def _packbits(packed: bytes, most: int) -> int:
    """Bytes that PackBits unpack to (TIFF 6.0, section 9), counted until there are too many."""
    place = length = 0
    while place < len(packed) and length <= most:
        head = packed[place]
        if head < NOTHING:
            length += head + 1
            place += head + 2
        else:
            length += 257 - head if head >= REPEATED else 0
            place += 2 if head >= REPEATED else 1
    return length


LENGTHS: dict[str, Callable[[bytes, int], int]] = {
    "ADOBE_DEFLATE": _deflated,
    "DEFLATE": _deflated,
    "LZMA": _lzma,
    "PACKBITS": _packbits,
}

# Strips that are pictures of their own, whose size no decoder checks beforehand: wherever it may stand in them, as
# ITU-T T.81 (B.2.2), ITU-T T.800 (A.5.1) and RFC 9649 write it.
_JPEG = re.compile(rb"\xff[\xc0-\xc3\xc5-\xc7\xc9-\xcb\xcd-\xcf]..(.)(..)(..)(.)", re.DOTALL)
_CODE_STREAM = re.compile(rb"\xff\x4f\xff\x51....(.{16}).{16}(..)", re.DOTALL)
_WEBP = re.compile(rb"VP8 ....(?=...\x9d\x01\x2a(....))|VP8L....\x2f(....)|VP8X........(...)(...)", re.DOTALL)
MOST_COMPONENTS = 4


def _jpeg_px(packed: bytes) -> Iterable[tuple[int, int]]:
    for _, rows, columns, components in _JPEG.findall(packed):
        yield int.from_bytes(rows, "big") * int.from_bytes(columns, "big"), components[0]


def _jpeg_2000_px(packed: bytes) -> Iterable[tuple[int, int]]:
    for place, components in _CODE_STREAM.findall(packed):
        right, bottom, left, top = struct.unpack(">4I", place)
        yield (right - left) * (bottom - top), int.from_bytes(components, "big")


def _webp_px(packed: bytes) -> Iterable[tuple[int, int]]:
    for lossy, lossless, wide, high in _WEBP.findall(packed):
        if lossy:
            columns, rows = (value & 0x3FFF for value in struct.unpack("<HH", lossy))
        elif lossless:
            (bits,) = struct.unpack("<I", lossless)
            columns, rows = (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
        else:
            columns, rows = (int.from_bytes(value, "little") + 1 for value in (wide, high))
        yield columns * rows, MOST_COMPONENTS


DECLARED: dict[str, Callable[[bytes], Iterable[tuple[int, int]]]] = {
    **dict.fromkeys(("JPEG", "OJPEG", "ALT_JPEG", "JPEG_LOSSY"), _jpeg_px),
    **dict.fromkeys(("JPEG2000", "JPEG_2000_LOSSY", "APERIO_JP2000_YCBC", "APERIO_JP2000_RGB"), _jpeg_2000_px),
    "WEBP": _webp_px,
}
OF_ANY_SIZE = frozenset(
    ("JPEGXL", "JPEGXL_DNG", "JPEGXR", "JPEGXR_NDPI", "PNG", "LERC", "EER_V0", "EER_V1", "EER_V2", "JETRAW")
)  # fmt: skip
"""Packings that imagecodecs unpacks to whatever size a strip claims, and whose claim is not read here."""


def _declared(packing: str) -> Callable[[bytes, int], int]:
    """Count the pixels that a strip claims to be, anywhere in it; more than any, where it has too many samples."""

    def counted(packed: bytes, most: int) -> int:
        found = list(DECLARED[packing](packed))
        return most + 1 if any(n > MOST_COMPONENTS for _, n in found) else max((px for px, _ in found), default=0)

    return counted


# Many microscopes write tags of their own, which tell nothing of the pixels; nor does what a PNG has beside its data.
HARMLESS = re.compile(r"[Uu]nknown field with tag|libpng warning: (?!IDAT)")
MOST_BYTES = 4096
ERROR_STREAM = 2
_hearing = threading.Lock()


@contextlib.contextmanager
def complaints_refused() -> Iterator[None]:
    """Refuse a picture whose decoder complains of its pixels.

    libjpeg and libtiff fill in what they cannot decode, libpng passes over data beyond the pixels, and they say so on
    the error stream of the process only. It is led into a pipe meanwhile; what another thread says then is taken for
    the decoder's.

    Raises
    ------
    UnusableError
        With the decoder's words.
    """
    with _hearing, contextlib.ExitStack() as stack:
        try:
            screen = os.dup(ERROR_STREAM)
        except OSError:  # a process without an error stream: nothing can be heard, nothing leaks
            yield
            return
        heard, told = os.pipe()
        stack.callback(os.close, heard)
        for end in (heard, told) if hasattr(os, "set_blocking") else ():
            os.set_blocking(end, False)  # what the pipe cannot hold is not heard; nobody waits for more than is there
        os.dup2(told, ERROR_STREAM)
        os.close(told)
        try:
            yield
        finally:
            os.dup2(screen, ERROR_STREAM)
            os.close(screen)
        said = ""
        with contextlib.suppress(BlockingIOError):
            said = os.read(heard, MOST_BYTES).decode(errors="replace")
    serious = [line for line in said.splitlines() if line.strip() and not HARMLESS.search(line)]
    if serious:
        raise UnusableError(f"is damaged ({_bare(serious[0])})", "save or copy it again")


def _bare(line: str) -> str:
    """Words of a decoder without the place in its program, cut to what a line holds."""
    words = re.sub(r"^\s*\[.*?\]\s*(global )?(\S+\.cpp:\d+ )?(TIFF_(Error|Warning) )?", "", line).strip()
    return words if len(words) <= 80 else words[:77] + "..."
