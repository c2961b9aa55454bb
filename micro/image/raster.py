"""PNG, JPEG and BMP: header and pixels."""

from __future__ import annotations

import importlib
import warnings
from typing import IO, Any

import numpy as np

from micro.image.pixels import DecodedPicture, Header, UnusableError
from micro.image.unpacking import check_png, complaints_refused
from micro.issues import issue

CHANNELS = {"1": 1, "L": 1, "P": 3, "I;16": 1, "I;16B": 1, "I": 1, "LA": 2, "RGB": 3, "RGBX": 3, "RGBA": 4, "CMYK": 4}


# A JPEG that builds up takes about ten scans of all its pixels; thousands would take minutes.
MOST_SCANS, MOST_SCANNED_PX = 64, 400_000_000


def probe_raster(file: IO[bytes], name: str) -> Header:
    """Read the header only."""
    return _header(_open(file, name), name)


def decode_raster(file: IO[bytes], name: str) -> DecodedPicture:
    """Read the pixels of a picture whose header was found sane."""
    picture = _open(file, name)
    header = _header(picture, name)
    if name == "JPEG":
        _check_jpeg(file, header.pixels)
    if name == "PNG":
        check_png(file)
    if name == "PNG" and _sixteen_bit_colour(picture):
        values = _sixteen_bit_colour_pixels(picture, file)
        picture = _open(file, name)  # checking its checksums ended the use of the other
    else:
        picture.load()
        if picture.mode == "P" or "transparency" in picture.info:
            picture = picture.convert("RGBA" if "transparency" in picture.info else "RGB")
        values = np.asarray(picture)
    found = (issue("first_picture_taken", pictures=header.pages),) if header.pages > 1 else ()
    return DecodedPicture(values, orientation=_orientation(picture), states_srgb=_states_srgb(picture), issues=found)


def _check_jpeg(file: IO[bytes], pixels: int) -> None:
    """Refuse a JPEG of too many scans, or whose decoder complains: Pillow would not say so."""
    import cv2

    place = file.tell()
    file.seek(0)
    content = file.read()
    file.seek(place)
    scans = content.count(b"\xff\xda")
    if scans > MOST_SCANS or (scans > 1 and scans * pixels > MOST_SCANNED_PX):
        raise UnusableError(f"is a JPEG of {scans} scans", "save or copy it again")
    with complaints_refused():
        # An eighth of the size: everything is unpacked, little of it drawn.
        cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_8)


def _open(file: IO[bytes], name: str) -> Any:
    # The plug-in classes are called directly: Image.open would guess among dozens of formats,
    # and warn through a global limit that is not ours.
    file.seek(0)
    plugin = getattr(importlib.import_module(f"PIL.{name.capitalize()}ImagePlugin"), f"{name.capitalize()}ImageFile")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return plugin(file)


def _header(picture: Any, name: str) -> Header:
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


def _sixteen_bit_colour_pixels(picture: Any, file: IO[bytes]) -> np.ndarray:
    # Pillow would drop the lower eight bits. It checks every checksum first, which OpenCV does not.
    import cv2

    picture.verify()
    file.seek(0)
    values = cv2.imdecode(np.frombuffer(file.read(), np.uint8), cv2.IMREAD_UNCHANGED)
    if values is None:
        raise ValueError("not decoded")
    return values[..., [2, 1, 0, 3][: values.shape[2]]]


def _states_srgb(picture: Any) -> bool:
    """Whether a PNG (its chunk sRGB) or the camera of a JPEG (Exif 2.3, tag ColorSpace) says so."""
    try:
        return "srgb" in picture.info or picture.getexif().get_ifd(0x8769).get(0xA001) == 1
    except Exception:  # a table of tags that cannot be read says nothing of the pixels
        return False


def _orientation(picture: Any) -> int:
    value = picture.getexif().get(274, 1)
    return value if value in range(1, 9) else 1
