"""From a file's samples to grey levels: luminance, a channel, or the axis of colour that parts two levels most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.issues import Issue, issue


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
    states_srgb
        Whether the file says that its levels follow the tone curve of sRGB.
    issues
        What was noticed.
    """

    values: NDArray
    grey_max: float | None = None
    inverted: bool = False
    orientation: int = 1
    states_srgb: bool = False
    issues: tuple[Issue, ...] = ()


# Largest value of a picture of floats: below, nothing says what is white; above, squares overflow.
FLOAT_RANGE = (1e-3, 1e15)
DEPTH = "save it as 8 or 16 bit greyscale"
FULL_SCALES = (1.0, 255.0, 4095.0, 65535.0)


def to_grey(
    pixels: DecodedPicture, colour: str = "luminance", tone_curve: str = "linear"
) -> tuple[NDArray[np.float32], float, list[Issue]]:
    """Return (rows, columns) float32 grey levels, their full scale, and what was noticed.

    Equal channels are one grey picture; true colours become luminance (ITU-R BT.601), one of their channels, or the
    level along the axis of colour that parts two levels most: `colour` is one of `COLOURS`. A picture in which 0
    is white is turned, so that bright stays bright. The orientation tag is obeyed. The tone curve that the camera
    saved by, one of `TONE_CURVES`, is undone before colours are.

    Raises
    ------
    UnusableError
        Another tone curve, NaN or infinite values, negative grey levels, integers beyond 16 bits.
    """
    if tone_curve not in TONE_CURVES:
        raise UnusableError(f"is asked for by tone curve {tone_curve!r}", f"give {' or '.join(TONE_CURVES)}")
    issues = list(pixels.issues)
    values = _finite(pixels.values)
    grey_max = _full_scale(values, pixels.grey_max, issues)
    if tone_curve == "srgb":
        values = _light(values, grey_max, pixels.inverted)
        issues.append(issue("tone_curve_undone"))
    elif pixels.states_srgb:
        issues.append(issue("tone_curve_stated"))
    grey = values if values.ndim == 2 else _one_channel(values, grey_max, colour, issues)
    grey = grey.astype(np.float32, copy=False)
    if pixels.inverted:
        grey = np.float32(grey_max) - grey
        issues.append(issue("greys_inverted"))
    if pixels.orientation != 1:
        grey = _upright(grey, pixels.orientation)
        issues.append(issue("turned", orientation=pixels.orientation))
    return np.ascontiguousarray(grey), grey_max, issues


def _light(values: NDArray, grey_max: float, inverted: bool) -> NDArray[np.float32]:
    if not inverted:
        return srgb_to_light(values, grey_max)
    return np.float32(grey_max) - srgb_to_light(values.dtype.type(grey_max) - values, grey_max)


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


def _full_scale(values: NDArray, stated: float | None, issues: list[Issue]) -> float:
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
        issues.append(issue("twelve_bits"))
        return 4095.0
    return 65535.0


def _one_channel(values: NDArray, grey_max: float, colour: str, issues: list[Issue]) -> NDArray:
    samples = values.shape[2]
    if samples in (2, 4):
        if np.any(values[..., -1] != values[..., -1].max()):
            issues.append(issue("transparency_left_out"))
        values = values[..., :-1]
    if values.shape[2] == 1:
        return values[..., 0]
    red, green, blue = (values[..., i] for i in range(3))
    if np.array_equal(red, green) and np.array_equal(green, blue):
        return red
    if colour == "best":
        return _along_best(values, grey_max, issues)
    if colour in COLOURS[1:]:
        issues.append(issue("channel_taken", colour=colour))
        return values[..., COLOURS.index(colour) - 1]
    issues.append(issue("colours_to_grey"))
    grey = red * np.float32(LUMINANCE[0])
    grey += green * np.float32(LUMINANCE[1])
    grey += blue * np.float32(LUMINANCE[2])
    return grey


def _along_best(values: NDArray, grey_max: float, issues: list[Issue]) -> NDArray:
    """Grey levels along the best axis; says which that is, and what it gains over luminance."""
    axis = best_axis(values)
    red, green, blue = axis.weights
    some = values.reshape(-1, 3)[:: max(1, values.size // 3 // MOST_PIXELS)].astype(float)
    by_luminance = parted(some, np.array(LUMINANCE))
    issues.append(
        issue("colour_axis", red=red, green=green, blue=blue, apart=axis.apart, by_luminance=by_luminance)
    )  # fmt: skip
    return along(values, axis.weights, grey_max)


def _upright(grey: NDArray, orientation: int) -> NDArray:
    if orientation in (5, 6, 7, 8):
        grey = grey.T
    if orientation in (2, 3, 6, 7):
        grey = grey[:, ::-1]
    if orientation in (3, 4, 7, 8):
        grey = grey[::-1]
    return grey


TONE_CURVES = ("linear", "srgb")


def srgb_to_light(levels: NDArray, full_scale: float) -> NDArray[np.float32]:
    """Undo the tone curve of sRGB (IEC 61966-2-1:1999, constants from memory), so that grey follows light.

    Parameters
    ----------
    levels
        Any shape, 0 to `full_scale`.
    full_scale
        Level of white, which stays where it is.
    """
    if levels.dtype.kind == "u":  # each level once
        return _undone(np.arange(int(full_scale) + 1), full_scale)[levels]
    return _undone(levels, full_scale)


def _undone(levels: NDArray, full_scale: float) -> NDArray[np.float32]:
    share = np.asarray(levels, np.float64) / full_scale
    light = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return np.asarray(full_scale * light, np.float32)


FloatArray = NDArray[np.float64]
COLOURS = ("luminance", "red", "green", "blue", "best")
LUMINANCE = (0.299, 0.587, 0.114)  # ITU-R BT.601
MOST_PIXELS = 2**17  # looked at for the best axis: its weights then move by less than a hundredth (chosen)
ROUNDS = 8  # groups and axis settle in three or four (chosen)
FEWEST_SHARE = 0.005  # of the pixels in either group: fewer are specks (chosen)
STEPS = 256


@dataclass(frozen=True)
class Axis:
    """Weights of red, green and blue, of sizes that sum to 1, and how far they part two levels.

    `apart` is the distance of the two levels over the scatter within them, root mean square of both; 0 where nothing
    parts.
    """

    weights: tuple[float, float, float]
    apart: float = 0.0


def best_axis(values: NDArray) -> Axis:
    """Axis of colour that parts two levels most.

    From luminance and from each channel: two groups by the threshold of least variance (N. Otsu 1979), then the axis
    along which the distance of their means over the scatter within them is largest (R. A. Fisher 1936), and again;
    the best of all. Its weights are rounded to hundredths, so that what the report prints is what was used; bright
    along it is bright by luminance.

    Parameters
    ----------
    values
        (rows, columns, 3) red, green, blue.
    """
    step = max(1, int(np.sqrt(values.shape[0] * values.shape[1] / MOST_PIXELS)))
    pixels = values[::step, ::step].reshape(-1, 3).astype(float)
    found = max((_settled(pixels, start) for start in (LUMINANCE, *np.eye(3))), key=lambda axis: axis.apart)
    weights = np.round(_upward(np.array(found.weights)), 2)
    left = 1 - np.abs(weights).sum()
    largest = int(np.abs(weights).argmax())
    weights[largest] += np.sign(weights[largest]) * left
    red, green, blue = (float(round(w, 2)) for w in weights)
    return Axis((red, green, blue), parted(pixels, weights))


def parted(pixels: FloatArray, weights: FloatArray) -> float:
    """Distance of the two levels along an axis over the scatter within them; 0 where there are not two.

    Parameters
    ----------
    pixels
        (n, 3) red, green, blue.
    weights
        (3,) of the axis.
    """
    groups = _groups(pixels @ weights)
    return 0.0 if groups is None else _apart(pixels @ weights, groups)


def along(values: NDArray, weights: tuple[float, float, float], full_scale: float) -> NDArray[np.float32]:
    """(rows, columns) grey levels along an axis, from 0 to full scale: a channel of negative weight counts from there.

    Parameters
    ----------
    values
        (rows, columns, 3) red, green, blue, 0 to `full_scale`.
    weights
        Of sizes that sum to 1.
    """
    grey = np.zeros(values.shape[:2], np.float32)
    for channel, weight in enumerate(weights):
        if weight:
            level = values[..., channel].astype(np.float32)
            grey += np.float32(abs(weight)) * (level if weight > 0 else np.float32(full_scale) - level)
    return np.clip(grey, 0, np.float32(full_scale))


def _settled(pixels: FloatArray, start: tuple[float, ...] | FloatArray) -> Axis:
    """Best axis that is reached from one, groups and axis in turn."""
    weights = np.asarray(start, float)
    best = Axis((float(weights[0]), float(weights[1]), float(weights[2])), parted(pixels, weights))
    for _ in range(ROUNDS):
        groups = _groups(pixels @ weights)
        if groups is None:
            break
        weights = _fisher(pixels, groups)
        apart = parted(pixels, weights)
        if apart <= best.apart * (1 + 1e-6):
            break
        best = Axis((float(weights[0]), float(weights[1]), float(weights[2])), apart)
    return best


def _fisher(pixels: FloatArray, groups: NDArray[np.bool_]) -> FloatArray:
    """(3,) axis along which two groups lie farthest apart over their scatter, sizes summing to 1."""
    one, other = pixels[groups], pixels[~groups]
    within = np.cov(one.T) + np.cov(other.T)
    # Channels that hold one and the same level scatter by nothing: half a step of the levels keeps this solvable.
    within += np.eye(3) * max(float(np.trace(within)) * 1e-6, 1e-12)
    weights = np.linalg.solve(within, one.mean(axis=0) - other.mean(axis=0))
    return np.asarray(weights / max(np.abs(weights).sum(), 1e-300))


def _groups(grey: FloatArray) -> NDArray[np.bool_] | None:
    """(n,) True above the threshold of least variance; None where either side holds too little."""
    low, high = float(grey.min()), float(grey.max())
    if not high > low:
        return None
    count, edges = np.histogram(grey, STEPS, (low, high))
    middle = (edges[:-1] + edges[1:]) / 2
    below, light = np.cumsum(count), np.cumsum(count * middle)
    above = below[-1] - below
    share = FEWEST_SHARE * below[-1]
    usable = (below >= share) & (above >= share)
    if not usable.any():
        return None
    mean_below = light / np.maximum(below, 1)
    mean_above = (light[-1] - light) / np.maximum(above, 1)
    between = np.where(usable, below * above * (mean_above - mean_below) ** 2.0, -1.0)
    return np.asarray(grey > edges[int(between.argmax()) + 1])


def _apart(grey: FloatArray, groups: NDArray[np.bool_]) -> float:
    one, other = grey[groups], grey[~groups]
    if not (len(one) and len(other)):
        return 0.0
    scatter = float(np.sqrt((one.var() + other.var()) / 2))
    return float(abs(one.mean() - other.mean()) / max(scatter, 1e-9))


def _upward(weights: FloatArray) -> FloatArray:
    """Axis turned so that it rises with luminance."""
    rise = float(weights @ np.array(LUMINANCE))
    return -weights if rise < 0 else weights
