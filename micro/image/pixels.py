"""From a file's samples to grey levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


class UnusableError(Exception):
    """A picture of a sound format that is no micrograph; the reader adds the file's name."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(problem, remedy)


@dataclass(frozen=True)
class Header:
    """What a file says of itself before anything is decoded.

    Parameters
    ----------
    format
        TIFF, PNG, JPEG or BMP, by content.
    shape
        (rows, columns) as stored, before any orientation tag.
    dtype
        Of one sample.
    channels
        Samples a pixel.
    pages
        Pages of a TIFF (counted up to a limit), pictures of an animation.
    compression
        Name of the compression.
    page
        The page the rest of the header speaks of, from 1.
    bytes_packed
        Bytes of the file that hold its pixels, each counted once; None: not told apart from the rest.
    """

    format: str
    shape: tuple[int, int]
    dtype: np.dtype
    channels: int
    pages: int
    compression: str
    page: int = 1
    bytes_packed: int | None = None

    @property
    def pixels(self) -> int:
        """Number of pixels."""
        return self.shape[0] * self.shape[1]

    @property
    def bytes_decoded(self) -> int:
        """Bytes the pixels fill once decoded."""
        return self.pixels * self.channels * self.dtype.itemsize


@dataclass(frozen=True, eq=False)
class DecodedPicture:
    """Decoded samples as stored.

    Parameters
    ----------
    values
        (rows, columns) or (rows, columns, samples), any real dtype.
    grey_max
        Full scale where the file states it; None: from dtype and values.
    inverted
        True where 0 is white.
    orientation
        The orientation tag, 1 to 8 (TIFF 6.0, tag 274).
    messages
        What was noticed.
    """

    values: NDArray
    grey_max: float | None = None
    inverted: bool = False
    orientation: int = 1
    messages: tuple[str, ...] = ()


LUMINANCE = (0.299, 0.587, 0.114)  # ITU-R BT.601
# Largest value of a picture of floats: below, nothing says what is white; above, squares overflow.
FLOAT_RANGE = (1e-3, 1e15)
DEPTH = "save it as 8 or 16 bit greyscale"
FULL_SCALES = (1.0, 255.0, 4095.0, 65535.0)


def to_grey(pixels: DecodedPicture) -> tuple[NDArray[np.float32], float, list[str]]:
    """Return (rows, columns) float32 grey levels, their full scale, and what was noticed.

    Equal channels are one grey picture; true colours become luminance (ITU-R BT.601). A picture in which 0
    is white is turned, so that bright stays bright. The orientation tag is obeyed.

    Raises
    ------
    UnusableError
        NaN or infinite values, negative grey levels, integers beyond 16 bits.
    """
    messages = list(pixels.messages)
    values = _finite(pixels.values)
    grey_max = _full_scale(values, pixels.grey_max, messages)
    grey = values if values.ndim == 2 else _one_channel(values, grey_max, messages)
    grey = grey.astype(np.float32, copy=False)
    if pixels.inverted:
        grey = np.float32(grey_max) - grey
        messages.append("0 means white in this file; the grey levels were turned")
    if pixels.orientation != 1:
        grey = _upright(grey, pixels.orientation)
        messages.append(f"turned as the camera's orientation tag says ({pixels.orientation})")
    return np.ascontiguousarray(grey), grey_max, messages


def _finite(values: NDArray) -> NDArray:
    if values.dtype.kind == "f":
        bad = values.size - np.count_nonzero(np.isfinite(values))
        if bad:
            raise UnusableError(
                f"has {bad} values that are not finite (NaN or infinite)", "repair or mask it before saving"
            )
        top = max(-float(values.min()), float(values.max()))
        if not FLOAT_RANGE[0] <= top <= FLOAT_RANGE[1]:
            raise UnusableError(f"has values up to {top:.3g} only" if top < 1 else f"has values up to {top:.3g}", DEPTH)
    if values.dtype.kind in "if" and values.size and values.min() < 0:
        raise UnusableError(f"has negative grey levels (down to {values.min():.6g})", "add an offset when saving")
    return values


def _full_scale(values: NDArray, stated: float | None, messages: list[str]) -> float:
    top = float(values.max())
    if stated is not None and top <= stated:
        return stated
    if values.dtype.kind == "f":
        return next((scale for scale in FULL_SCALES if top <= scale), top)
    if values.dtype.itemsize == 1:
        return 255.0 if values.dtype.kind == "u" else 127.0
    if top > 65535:
        raise UnusableError(f"has grey levels up to {top:.0f}", DEPTH)
    if top <= 4095:
        messages.append("no grey level above 4095: taken as 12 bits in 16")
        return 4095.0
    return 65535.0


def _one_channel(values: NDArray, grey_max: float, messages: list[str]) -> NDArray:
    samples = values.shape[2]
    if samples in (2, 4):
        if np.any(values[..., -1] != values[..., -1].max()):
            messages.append("the transparency was left out")
        values = values[..., :-1]
    if values.shape[2] == 1:
        return values[..., 0]
    red, green, blue = (values[..., i] for i in range(3))
    if np.array_equal(red, green) and np.array_equal(green, blue):
        return red
    messages.append("the colours were turned into luminance (ITU-R BT.601)")
    grey = red * np.float32(LUMINANCE[0])
    grey += green * np.float32(LUMINANCE[1])
    grey += blue * np.float32(LUMINANCE[2])
    return grey


def _upright(grey: NDArray, orientation: int) -> NDArray:
    if orientation in (5, 6, 7, 8):
        grey = grey.T
    if orientation in (2, 3, 6, 7):
        grey = grey[:, ::-1]
    if orientation in (3, 4, 7, 8):
        grey = grey[::-1]
    return grey
