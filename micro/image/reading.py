"""From a file to a micrograph: format by content, page, colour, scale."""

from __future__ import annotations

import io
import os
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from io import BufferedReader
from pathlib import Path
from typing import IO, TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from micro.address import Address, place_of
from micro.errors import InputError, spelled
from micro.image.decoding import decode_raster, decode_tiff, probe_raster, probe_tiff
from micro.image.micrograph import LARGEST_FIELD_PX, SIDES, Box, Crop, Micrograph, SubField, find_data_bars
from micro.image.pixels import DecodedPicture, Header, UnusableError, to_grey
from micro.issues import Issue, issue, ordered
from micro.results import LARGE_BYTES, hash_of_stream
from micro.scale.scale import Scale, scale_from_tags

if TYPE_CHECKING:
    from micro.scale.calibration import Calibration

SIGNATURES = (
    (b"II*\0", "TIFF"),
    (b"MM\0*", "TIFF"),
    (b"II+\0", "TIFF"),
    (b"MM\0+", "TIFF"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"BM", "BMP"),
)
ENDINGS = {
    ".tif": "TIFF",
    ".tiff": "TIFF",
    ".png": "PNG",
    ".jpg": "JPEG",
    ".jpeg": "JPEG",
    ".bmp": "BMP",
}
FOREIGN = (
    (b"GIF8", "a GIF picture"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or office document"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\0\0\0\x0cjP", "a JPEG 2000 picture"),
    (b"\xff\x4f\xff\x51", "a JPEG 2000 picture"),
    (b"\x89HDF", "an HDF5 file"),
    (b"8BPS", "a layered picture"),
    (b"<", "a web page, XML or SVG text"),
)


def format_of(head: bytes) -> str | None:
    """Return TIFF, PNG, JPEG or BMP by the first bytes of a file; None for anything else."""
    return next((name for signature, name in SIGNATURES if head.startswith(signature)), None)


def described(head: bytes) -> str:
    """Say in words what a file that is none of our formats seems to hold."""
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "a WebP picture"
    for signature, words in FOREIGN:
        if head.startswith(signature):
            return words
    text = sum(32 <= byte < 127 or byte in b"\t\r\n" for byte in head)
    return "text" if text == len(head) else "no picture that is known here"


def mislabelling(path: Path | Address, found: str) -> tuple[Issue, ...]:
    """Tell whether the name's ending promises another format than the content."""
    promised = ENDINGS.get(path.suffix.lower())
    if promised == found:
        return ()
    return (issue("mislabelled", ending=path.suffix or "without an ending", format=found),)


SMALLEST_SIDE_PX = 32
MOST_PIXELS = 2**31
# A micrograph carries noise: beyond this size, packing 100 to 1 only happens to empty pictures.
BOMB_BYTES = 2**24
BOMB_RATIO = 100
# Turning them into greys takes as much again, and half of that: chosen, so that it stays under 1 GiB.
MOST_BYTES_IN_ONE_PIECE = 450_000_000
COPY = "save or copy it again"
CODECS = 'in the checkout: pip install ".[codecs]"; or save it as 8 or 16 bit greyscale without compression'


def read(
    path: str | Path | Address,
    *,
    scale: Scale | Calibration | None = None,
    binning: int = 1,
    rolling_deg: float | None = None,
    page: int | None = None,
    crop_bottom_px: int | None = None,
    name: str | None = None,
    sub_field: SubField | None = None,
    crop_px: Crop | None = None,
    leave_out: Sequence[Box] = (),
    colour: str = "luminance",
    tone_curve: str = "linear",
    cropped: bool = False,
) -> Micrograph:
    """Read a TIFF, PNG, JPEG or BMP picture; its content decides, not its ending.

    Parameters
    ----------
    path
        The file.
    scale
        Size of a pixel, or the calibration it follows from; None: from the file's tags, if they say.
    binning
        Camera pixels per picture pixel along a side, against the calibration picture; only used with one.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen, 0 to 180.
    page
        Page of a TIFF, from 1. None: the first; a stack of like pages is then refused.
    crop_bottom_px
        Rows of data bar to cut at the bottom; None: data bars are looked for on every side, 0: nothing is cut.
    name
        Name of the field; None: the file name without its ending.
    sub_field
        Only this part of a mosaic (TIFF), with its margin; no data bar is looked for.
    crop_px
        Pixels to cut at each side, in place of `crop_bottom_px`.
    leave_out
        Boxes that are not analysed, px of the picture in the file.
    colour
        What is measured of a picture in colour, of `micro.image.pixels.COLOURS`.
    tone_curve
        By which curve the camera saved, of `micro.image.pixels.TONE_CURVES`: "linear" where grey follows light.
    cropped
        The picture was cut out of one of the calibrated size; only used with a calibration.

    Raises
    ------
    InputError
        If the file is missing, damaged, too large or no micrograph.
    """
    path = place_of(path)
    with _reported(path), _held(path, sub_field is not None) as file:
        header = _probe(file, page)
        _check_kind(header, sub_field)
        sha256 = hash_of_stream(file, sub_field is not None)
        pixels = _decode(file, header, page, sub_field)
        grey, grey_max, issues = to_grey(pixels, colour, tone_curve)
        del pixels
        whole = header.shape if sub_field else grey.shape
        told = crop_px if crop_px is not None or crop_bottom_px is None else _bottom(crop_bottom_px)
        cut = Crop() if sub_field else told or find_data_bars(grey, grey_max)
        grey, data_bar = _cut(grey, cut, told is not None, issues)
        field = whole if sub_field else grey.shape
        top, left = (sub_field.frame[0], sub_field.frame[1]) if sub_field else (cut.top, cut.left)
        _check_content(grey)
        stated = scale_from_tags(file) if header.format == "TIFF" else None
        return Micrograph(
            grey=grey,
            grey_max=grey_max,
            name=spelled(path.stem) if name is None else name,
            scale=stated if scale is None else _scale(scale, (whole, field), binning, cropped),
            rolling_deg=rolling_deg,
            path=path,
            sha256=sha256,
            data_bar=data_bar,
            issues=ordered((*mislabelling(path, header.format), *issues)),
            stated_scale=None if scale is None else stated,
            sub_field=sub_field,
            left_out=tuple(box.moved(-left, -top) for box in leave_out),
            cut_px=(cut.top, cut.left),
        )


def probe(path: str | Path | Address, *, page: int | None = None) -> Header:
    """Read a picture's header only: format, shape, dtype, pages; nothing is decoded.

    Raises
    ------
    InputError
        If the file is missing, no picture, or has a header that makes no sense.
    """
    path = place_of(path)
    with _reported(path), _open(path) as file:
        return _probe(file, page)


@contextmanager
def _reported(path: Path | Address) -> Iterator[None]:
    """Turn what makes a picture unusable into one line that names the file."""
    try:
        yield
    except UnusableError as trouble:
        raise InputError(path, trouble.problem, trouble.remedy) from trouble


@contextmanager
def _open(path: Path | Address) -> Iterator[io.BytesIO | BufferedReader]:
    try:
        file = io.BytesIO(path.fetched()) if isinstance(path, Address) else _on_disk(path)
    except FileNotFoundError:
        raise UnusableError("there is no such file", "check the name and the folder") from None
    except (OSError, ValueError) as trouble:
        reason = getattr(trouble, "strerror", None) or str(trouble)
        raise UnusableError(
            f"cannot be opened ({reason.lower()})", "check the name and the permission to read"
        ) from None
    with file:
        yield file


def _on_disk(path: Path) -> BufferedReader:
    mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        raise UnusableError("is a folder, not a picture", "name the pictures in it")
    if not stat.S_ISREG(mode):
        raise UnusableError("is no ordinary file", "name a picture")
    return path.open("rb")


@contextmanager
def _held(path: Path | Address, of_mosaic: bool) -> Iterator[io.BytesIO | BufferedReader]:
    """Open a file so that what is hashed is what is decoded, whatever becomes of its name or bytes meanwhile.

    A mosaic, of which a part is read at a time, is not loaded as a whole for that.
    """
    with _open(path) as file:
        if isinstance(file, io.BytesIO):
            yield file
            return
        before = os.fstat(file.fileno())
        if before.st_size <= LARGE_BYTES and not of_mosaic:
            with io.BytesIO(file.read(LARGE_BYTES)) as held:  # closed: tifffile's objects refer to it until collected
                yield held
            return
        yield file
        after = os.fstat(file.fileno())
        if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
            raise UnusableError("was written to while it was read", "run again when nothing writes to it")


@contextmanager
def _damage_named() -> Iterator[None]:
    """Whatever a decoder raises on a damaged file becomes one trouble."""
    try:
        yield
    except UnusableError:
        raise
    except Exception as trouble:
        if isinstance(trouble, ImportError) or "imagecodecs" in str(trouble):
            # Not damage: the file is sound, what unpacks it is not installed.
            raise UnusableError(
                f"is packed in a way that needs the extra codecs ({_short(trouble)})", CODECS
            ) from trouble
        if "not a known COMPRESSION" in str(trouble):
            problem = f"is damaged, or packed in a way that is not known ({_short(trouble)})"
            raise UnusableError(problem, "save it without compression") from trouble
        raise UnusableError(f"is damaged or cut short ({_short(trouble)})", COPY) from trouble


def _short(trouble: Exception) -> str:
    words = " ".join(str(trouble).split()) or type(trouble).__name__
    return words if len(words) <= 80 else words[:77] + "..."


def _probe(file: IO[bytes], page: int | None) -> Header:
    file_bytes = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(64)
    if not head:
        raise UnusableError("is empty", COPY)
    found = format_of(head)
    if found is None:
        raise UnusableError(f"is {described(head)}", "give a TIFF, PNG, JPEG or BMP picture")
    with _damage_named():
        header = probe_tiff(file, page) if found == "TIFF" else probe_raster(file, found)
    _check_size(header, file_bytes)
    return header


def _decode(file: IO[bytes], header: Header, page: int | None, sub_field: SubField | None) -> DecodedPicture:
    with _damage_named():
        return decode_tiff(file, page, sub_field) if header.format == "TIFF" else decode_raster(file, header.format)


def _check_size(header: Header, file_bytes: int) -> None:
    rows, columns = header.shape
    if min(rows, columns) < SMALLEST_SIDE_PX:
        raise UnusableError(
            f"is too small ({columns} × {rows} px)", f"give a picture of at least {SMALLEST_SIDE_PX} px a side"
        )
    if header.pixels > MOST_PIXELS:
        raise UnusableError(f"is too large ({columns} × {rows} px)", f"give a picture of at most {MOST_PIXELS} px")
    packed = file_bytes if header.bytes_packed is None else min(file_bytes, header.bytes_packed)
    if header.bytes_decoded > max(BOMB_BYTES, BOMB_RATIO * packed):
        raise UnusableError(
            f"claims {columns} × {rows} px in {packed} bytes, more than a micrograph can be packed", COPY
        )


def _check_kind(header: Header, sub_field: SubField | None) -> None:
    rows, columns = header.shape
    if sub_field is not None:
        if header.format != "TIFF" or header.shape != (sub_field.mosaic_rows, sub_field.mosaic_columns):
            raise UnusableError(f"is no TIFF mosaic of the size it had ({columns} × {rows} px)", "run the study again")
    elif header.pixels > LARGEST_FIELD_PX:
        raise UnusableError(f"is too large for one field ({columns} × {rows} px)", "save it as a tiled TIFF")
    elif header.bytes_decoded > MOST_BYTES_IN_ONE_PIECE:
        held = f"holds {header.bytes_decoded // 2**20} MiB of pixels in one piece"
        raise UnusableError(held, "save it as 8 or 16 bit greyscale")


def _bottom(rows: int) -> Crop:
    if not isinstance(rows, int) or rows < 0:
        raise UnusableError(f"{rows} rows cannot be cut from the bottom", "cut 0 or more rows")
    return Crop(bottom=rows)


def _cut(
    grey: NDArray[np.float32], cut: Crop, told: bool, issues: list[Issue]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the micrograph and the rows cut off below it; say how much was cut where."""
    rows, columns = grey.shape
    stays = cut.of((rows, columns))
    if rows - cut.top - cut.bottom < rows / 4 or columns - cut.left - cut.right < columns / 4:
        where = f"{cut.bottom} rows cannot be cut from the bottom of {rows}"
        if cut.top or cut.left or cut.right:
            where = f"{cut} cannot be cut from {columns} × {rows} px"
        raise UnusableError(where, "cut 0 or more rows, and leave at least a quarter")
    for side in SIDES:
        px = getattr(cut, side)
        if px and side == "bottom":
            issues.append(issue("rows_cut" if told else "data_bar_cut", rows=px))
        elif px:
            issues.append(issue("side_cut" if told else "data_bar_at_side", px=px, side=side))
    # Copies, so that the whole picture does not stay in memory behind the two views.
    return (grey[stays].copy(), grey[stays[0].stop :, stays[1]].copy()) if cut.any else (grey, grey[rows:])


def _check_content(grey: NDArray[np.float32]) -> None:
    rows = min(grey.shape)
    if rows < SMALLEST_SIDE_PX:
        raise UnusableError(
            f"has only {rows} rows left beside the data bar", f"leave at least {SMALLEST_SIDE_PX} rows of micrograph"
        )
    level = float(grey[0, 0])
    if np.all(grey == level):
        colour = "black" if level == 0 else "of one grey level"
        raise UnusableError(f"is {colour} all over ({level:g})", "save the picture again, with the light on")


def _scale(scale: Scale | Calibration, shapes: tuple[tuple[int, ...], ...], binning: int, cropped: bool) -> Scale:
    """Scale of the picture; a calibration is compared with its shape before the data bar was cut, then with that after.

    Cameras write a data bar below all pixels of the field as often as over some of them.
    """
    if isinstance(scale, Scale):
        return scale
    whole, field = shapes
    try:
        return scale.scale_for(whole[1], whole[0], binning, cropped)
    except InputError as trouble:
        if trouble.where != "scale":
            raise
        if field != whole and not cropped:
            with suppress(InputError):
                return scale.scale_for(field[1], field[0], binning)
        raise UnusableError(trouble.problem, trouble.remedy) from trouble
