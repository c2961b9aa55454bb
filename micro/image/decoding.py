"""From the bytes of a file to its samples: TIFF by tifffile, PNG and JPEG by OpenCV, BMP by Pillow; headers first."""

from __future__ import annotations

import contextlib
import importlib
import math
import warnings
from collections.abc import Callable, Iterator
from functools import partial
from typing import IO, Any

import numpy as np

from micro.image.micrograph import SubField
from micro.image.pixels import DecodedPicture, Header, UnusableError
from micro.image.unpacking import MOST_OF_A_MOSAIC, check_unpacking, complaints_refused
from micro.issues import issue
from micro.scale.scale import unlogged

PAGES_COUNTED = 1000
BY_OPENCV = {"LZW", "JPEG"}
GREY_OR_COLOUR = {"MINISBLACK", "MINISWHITE", "RGB", "PALETTE", "YCBCR"}


def probe_tiff(file: IO[bytes], page: int | None = None) -> Header:
    """Read the header only; `page` counts from 1, None takes the page that shows the field."""
    with _opened(file) as tiff:
        index, pages = _choose(tiff, page)
        return _header(tiff, index, pages)


def decode_tiff(file: IO[bytes], page: int | None = None, sub_field: SubField | None = None) -> DecodedPicture:
    """Read the pixels of a page whose header was found sane, or those about one sub-field of it."""
    with _opened(file) as tiff:
        index, pages = _choose(tiff, page)
        header = _header(tiff, index, pages)
        chosen = tiff.pages[index]
        _check_segments(chosen, tiff.filehandle.size)
        if sub_field is None:
            check_unpacking(chosen, range(math.prod(chosen.chunked)))
        values = _values(chosen, file, index) if sub_field is None else _part(chosen, sub_field)
        found = (issue("page_taken", page=index + 1, pages=pages),) if pages > 1 else ()
        if chosen.photometric.name == "PALETTE":
            values = _through_palette(chosen, values)
        return DecodedPicture(
            values,
            grey_max=_stated_full_scale(chosen, header),
            inverted=chosen.photometric.name == "MINISWHITE",
            orientation=_orientation(chosen),
            issues=found,
        )


@contextlib.contextmanager
def _opened(file: IO[bytes]) -> Iterator[Any]:
    import tifffile

    file.seek(0)
    with unlogged(), tifffile.TiffFile(file) as tiff:
        yield tiff


def _choose(tiff: Any, page: int | None) -> tuple[int, int]:
    """Return the index of the page to read and the number of pages."""
    kinds = _kinds(tiff)
    if page is not None:
        if not 1 <= page <= len(kinds):
            raise UnusableError(f"has {len(kinds)} page(s), page {page} was asked for", "give a page that exists")
        return page - 1, len(kinds)
    alike = kinds.count(kinds[0])
    if alike > 2 or (alike > 1 and _declared_stack(tiff)):
        many = f"more than {PAGES_COUNTED - 1}" if len(kinds) == PAGES_COUNTED else str(len(kinds))
        raise UnusableError(
            f"is a stack of {many} pages, and nothing says which one is in focus", "save one plane as a file"
        )
    return 0, len(kinds)


def _kinds(tiff: Any) -> list[tuple]:
    """Shape, dtype and meaning of every page."""
    kinds: list[tuple] = []
    seen = set()
    for index in range(PAGES_COUNTED):
        try:
            page = tiff.pages[index]
        except IndexError:
            break
        if page.offset in seen:
            raise UnusableError("is damaged: its pages refer to one another in a circle", "save or copy it again")
        seen.add(page.offset)
        kinds.append((page.shape, str(page.dtype), int(page.photometric), int(page.subfiletype)))
    return kinds


def _declared_stack(tiff: Any) -> bool:
    description = tiff.pages[0].description
    return "slices=" in description or ("SizeZ=" in description and 'SizeZ="1"' not in description)


def _header(tiff: Any, index: int, pages: int) -> Header:
    page = tiff.pages[index]
    sizes = (page.imagelength, page.imagewidth, page.imagedepth, page.samplesperpixel, page.planarconfig)
    if not all(isinstance(size, int) for size in sizes):
        raise UnusableError("is damaged: its size is no number", "save or copy it again")
    photometric = getattr(page.photometric, "name", str(page.photometric))
    if page.imagedepth != 1:
        raise UnusableError(f"is a volume of {page.imagedepth} planes", "save one plane as a file")
    if photometric == "SEPARATED":
        raise UnusableError("is a picture for printing (CMYK)", "save it as greyscale or RGB")
    if photometric not in GREY_OR_COLOUR:
        raise UnusableError(f"has pixels of the kind {photometric}", "save it as 8 or 16 bit greyscale")
    if page.bitspersample == 1:
        raise UnusableError("holds only black and white (1 bit a pixel)", "save the grey picture, before any threshold")
    if page.dtype is None or page.dtype.kind not in "uif":
        raise UnusableError(
            f"has {page.bitspersample} bits of sample format {page.sampleformat}", "save it as 8 or 16 bit greyscale"
        )
    if photometric in {"RGB", "YCBCR"} and page.samplesperpixel < 3:
        raise UnusableError(
            f"is marked as colour but has {page.samplesperpixel} sample(s) a pixel", "save or copy it again"
        )
    if page.samplesperpixel > 4:
        raise UnusableError(f"has {page.samplesperpixel} samples a pixel", "save one of them as greyscale")
    shape = (page.imagelength, page.imagewidth)
    compression = getattr(page.compression, "name", str(page.compression))
    # Strips may lie on one another: a few bytes then pose as a large picture.
    packed = sum(dict(zip(page.dataoffsets, page.databytecounts, strict=False)).values())
    return Header("TIFF", shape, page.dtype, page.samplesperpixel, pages, compression, index + 1, packed)


def _check_segments(page: Any, size: int) -> None:
    """Every strip or tile must lie inside the file: what is missing would otherwise be read as black."""
    wanted = math.prod(page.chunked)
    offsets, counts = page.dataoffsets, page.databytecounts
    if len(offsets) < wanted or len(counts) < wanted:
        raise UnusableError(
            f"is damaged: {wanted} strips are needed, {len(offsets)} are there", "save or copy it again"
        )
    ends = [start + count for start, count in zip(offsets[:wanted], counts[:wanted], strict=True)]
    if max(ends) > size:
        raise UnusableError(f"is cut short: {size} bytes of at least {max(ends)} are there", "save or copy it again")
    if min(offsets[:wanted]) <= 0 or min(counts[:wanted]) <= 0:
        raise UnusableError("is damaged: it has empty strips", "save or copy it again")


def _values(page: Any, file: IO[bytes], index: int) -> np.ndarray:
    if getattr(page.compression, "name", "") in BY_OPENCV and not _has_codecs():
        file.seek(0)
        return _by_opencv(file.read(), index)
    values = page.asarray(maxworkers=1)
    if page.samplesperpixel > 1 and page.planarconfig == 2:
        values = np.moveaxis(values, 0, -1)
    return values


def _part(page: Any, sub_field: SubField) -> np.ndarray:
    """Decode only the strips or tiles that the frame of a sub-field touches."""
    if page.samplesperpixel > 1 and page.planarconfig == 2:
        raise UnusableError("is a mosaic with its colours in separate planes", "save it as greyscale")
    if page.is_final and not page.is_tiled and sum(page.databytecounts) >= math.prod(page.shape) * page.dtype.itemsize:
        return _rows_of_part(page, sub_field)
    top, left, bottom, right = sub_field.frame
    high, wide = (page.tilelength, page.tilewidth) if page.is_tiled else (page.rowsperstrip, page.imagewidth)
    across = -(-page.imagewidth // wide)
    values = np.empty((bottom - top, right - left, page.samplesperpixel), page.dtype)
    handle = page.parent.filehandle
    for row in range(top // high, (bottom - 1) // high + 1):
        for column in range(left // wide, (right - 1) // wide + 1):
            index = row * across + column
            check_unpacking(page, [index], MOST_OF_A_MOSAIC)
            handle.seek(page.dataoffsets[index])
            segment = page.decode(handle.read(page.databytecounts[index]), index)[0]
            y0, x0 = row * high, column * wide
            y1, x1 = min(y0 + high, bottom), min(x0 + wide, right)
            target = values[max(y0, top) - top : y1 - top, max(x0, left) - left : x1 - left]
            target[...] = segment[0, max(top - y0, 0) : y1 - y0, max(left - x0, 0) : x1 - x0]
    return values[..., 0] if page.samplesperpixel == 1 else values


def _rows_of_part(page: Any, sub_field: SubField) -> np.ndarray:
    """Read the frame of a sub-field row by row, of a page that is not packed: all of it may be one strip."""
    top, left, bottom, right = sub_field.frame
    kind = page.dtype.newbyteorder(page.parent.byteorder)
    values = np.empty((bottom - top, right - left, page.samplesperpixel), kind)
    pixel = page.samplesperpixel * kind.itemsize
    handle = page.parent.filehandle
    for number, row in enumerate(values, top):
        handle.seek(page.dataoffsets[0] + (number * page.imagewidth + left) * pixel)
        row[...] = np.frombuffer(handle.read(row.nbytes), kind).reshape(row.shape)
    values = values.astype(page.dtype, copy=False)
    return values[..., 0] if page.samplesperpixel == 1 else values


def _has_codecs() -> bool:
    import importlib.util

    return importlib.util.find_spec("imagecodecs") is not None


def _by_opencv(content: bytes, index: int | None = None) -> np.ndarray:
    """Pixels of a file, red first; of one with several pages those of page `index`."""
    import cv2

    buffer = np.frombuffer(content, np.uint8)
    with complaints_refused():
        if index is None:
            values = cv2.imdecode(buffer, cv2.IMREAD_UNCHANGED)
        else:
            _, pictures = cv2.imdecodemulti(buffer, cv2.IMREAD_UNCHANGED, range=(index, index + 1))
            values = pictures[0] if len(pictures) == 1 else None
    if values is None:
        raise ValueError("not decoded")
    return values if values.ndim == 2 else values[..., [2, 1, 0, 3][: values.shape[2]]]


def _through_palette(page: Any, values: np.ndarray) -> np.ndarray:
    if values.max() >= page.colormap.shape[1]:
        raise UnusableError("is damaged: it has colours that its palette lacks", "save it as greyscale")
    return np.moveaxis(page.colormap >> 8, 0, -1).astype(np.uint8)[values]


def _stated_full_scale(page: Any, header: Header) -> float | None:
    if header.dtype.kind == "f" or page.photometric.name == "PALETTE":
        return None
    stated = page.tags.valueof(281)
    stated = stated[0] if isinstance(stated, tuple) and stated else stated
    if isinstance(stated, int) and stated in {2**bits - 1 for bits in range(8, 17)}:
        return float(stated)
    return None if page.bitspersample in {8, 16, 32, 64} else 2.0**page.bitspersample - 1


def _orientation(page: Any) -> int:
    value = page.tags.valueof(274)
    return value if value in range(1, 9) else 1


CHANNELS = {"1": 1, "L": 1, "P": 3, "I;16": 1, "I;16B": 1, "I": 1, "LA": 2, "RGB": 3, "RGBX": 3, "RGBA": 4, "CMYK": 4}


# A JPEG that builds up takes about ten scans of all its pixels; thousands would take minutes.
MOST_SCANS, MOST_SCANNED_PX = 64, 400_000_000


def probe_raster(file: IO[bytes], name: str) -> Header:
    """Read the header only."""
    return _raster_header(_open(file, name), name)


def decode_raster(file: IO[bytes], name: str) -> DecodedPicture:
    """Read the pixels of a picture whose header was found sane."""
    file.seek(0)
    content = file.read()
    picture = _open(file, name)
    header = _raster_header(picture, name)
    if name == "BMP":
        values = np.asarray(picture.convert("RGB") if picture.mode == "P" else picture)
    else:
        _check_scans(content if name == "JPEG" else b"", header.pixels)
        values = _by_opencv(content)
    found = (issue("first_picture_taken", pictures=header.pages),) if header.pages > 1 else ()
    if values.ndim == 2 and "transparency" in picture.info:
        found = (*found, issue("transparency_left_out"))
    exif = partial(_exif, picture, behind=name != "PNG" or b"eXIf" in content)
    return DecodedPicture(
        values, orientation=_turned(exif), states_srgb="srgb" in picture.info or _states_srgb(exif), issues=found
    )


def _check_scans(content: bytes, pixels: int) -> None:
    """Refuse a JPEG of so many scans that it would take minutes."""
    scans = content.count(b"\xff\xda")
    if scans > MOST_SCANS or (scans > 1 and scans * pixels > MOST_SCANNED_PX):
        raise UnusableError(f"is a JPEG of {scans} scans", "save or copy it again")


def _open(file: IO[bytes], name: str) -> Any:
    # The plug-in classes are called directly: Image.open would guess among dozens of formats,
    # and warn through a global limit that is not ours.
    file.seek(0)
    plugin = getattr(importlib.import_module(f"PIL.{name.capitalize()}ImagePlugin"), f"{name.capitalize()}ImageFile")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return plugin(file)


def _raster_header(picture: Any, name: str) -> Header:
    if picture.mode == "1":
        raise UnusableError("holds only black and white (1 bit a pixel)", "save the grey picture, before any threshold")
    if picture.mode == "CMYK":
        raise UnusableError("is a picture for printing (CMYK)", "save it as greyscale or RGB")
    if picture.mode not in CHANNELS:
        raise UnusableError(f"has pixels of the kind {picture.mode}", "save it as 8 or 16 bit greyscale")
    width, height = picture.size
    deep = picture.mode.startswith("I") or (name == "PNG" and _sixteen_bit_colour(picture))
    dtype = np.dtype(np.uint16 if deep else np.uint8)
    return Header(name, (height, width), dtype, CHANNELS[picture.mode], getattr(picture, "n_frames", 1), name)


def _sixteen_bit_colour(picture: Any) -> bool:
    return any(str(tile[3]).endswith(";16B") and picture.mode.startswith("RGB") for tile in picture.tile)


def _exif(picture: Any, behind: bool) -> Any:
    """Tags of the camera; Pillow decodes all of a PNG for those that stand `behind` its pixels."""
    from PIL.Image import Image

    return picture.getexif() if behind else Image.getexif(picture)


def _states_srgb(exif: Callable[[], Any]) -> bool:
    """Whether the camera says so (Exif 2.3, tag ColorSpace), as a PNG does by its chunk sRGB."""
    try:
        return exif().get_ifd(0x8769).get(0xA001) == 1
    except Exception:  # a table of tags that cannot be read says nothing of the pixels
        return False


def _turned(exif: Callable[[], Any]) -> int:
    value = exif().get(274, 1)
    return value if value in range(1, 9) else 1
