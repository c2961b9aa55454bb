"""Where a stage micrometer's lines lie: segments of its lines, and the area they fill."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
STRIPS = 256
SMALLEST_STRIP = 4
SMALLEST_WINDOW = 2.5
AT_ONCE_PX = 2**14  # pixels about lines that are fitted together, so that they stay in cache (chosen)


@dataclass(frozen=True, eq=False)
class Lines:
    """Steep lines x = x_k + slope·(y - middle row); all of one width.

    Parameters
    ----------
    x
        (lines,) crossing with the middle row, px.
    slope
        Columns a row downwards.
    sigma
        Half width of a line, as the standard deviation of a Gaussian, px.
    half_window
        How far from a line its pixels are looked at, px.
    """

    x: FloatArray
    slope: float
    sigma: float
    half_window: float


@dataclass(frozen=True, eq=False)
class Segments:
    """Lines as seen strip by strip.

    Parameters
    ----------
    y
        (strips,) middle of each strip.
    x
        (lines, strips) position of the line at the middle of the strip, px; NaN where it cannot be told.
    offset
        (lines, strips) how far that is from where the line was expected, px.
    height, height_error
        (lines, strips) contrast of the line, negative where dark, and its standard error, grey levels.
    background
        (lines, strips) grey level beside the line.
    """

    y: FloatArray
    x: FloatArray
    offset: FloatArray
    height: FloatArray
    height_error: FloatArray
    background: FloatArray


def fit_segments(grey: NDArray[np.float32], lines: Lines) -> Segments:
    """Fit every line in every strip of rows.

    The pixels around a line are fitted by b + c·d + a·g(d) + a·δ·(-g'(d)), d the distance from the expected
    position and g a Gaussian: linear least squares, weighted by a cosine window; δ is the offset. Line and
    model are both symmetric, so the model need not have the line's shape to put δ right.
    """
    rows = len(grey)
    edges = np.linspace(0, rows, max(1, min(STRIPS, rows // SMALLEST_STRIP)) + 1).round().astype(int)
    high, fitted = np.diff(edges), np.empty((4, len(lines.x), len(edges) - 1))
    for rows_each in np.unique(high).tolist():
        alike = np.flatnonzero(high == rows_each)
        pixels = len(lines.x) * rows_each * (2 * int(np.ceil(lines.half_window)) + 1)
        for some in np.array_split(alike, min(len(alike), 1 + len(alike) * pixels // AT_ONCE_PX)):
            fitted[..., some] = _fit_strips(grey, lines, edges[some], rows_each)
    background, height, slide, error = fitted
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = slide / height
    y = (edges[:-1] + edges[1:]) / 2
    expected = lines.x[:, None] + lines.slope * (y - rows / 2)
    return Segments(y, expected + offset, offset, height, error, background)


def _fit_strips(grey: NDArray[np.float32], lines: Lines, top: NDArray[np.intp], rows: int) -> FloatArray:
    """(4, lines, strips): background, height, height·offset and the error of the height; NaN where the frame cuts.

    Parameters
    ----------
    top
        (strips,) first row of each.
    rows
        Of each of them.
    """
    reach = int(np.ceil(lines.half_window))
    row = top[:, None] + np.arange(rows)
    expected = lines.x[:, None, None] + lines.slope * (row + 0.5 - len(grey) / 2)
    column = np.floor(expected).astype(int)
    inside = (column >= reach) & (column < grey.shape[1] - reach)
    columns = np.where(inside, column, reach)[..., None] + np.arange(-reach, reach + 1)
    level = grey[row[..., None], columns].astype(float)
    d = columns + 0.5 - expected[..., None]
    weight = np.cos(np.pi / 2 * np.clip(d / lines.half_window, -1, 1)) ** 2 * inside[..., None]
    shape = np.exp(-0.5 * (d / lines.sigma) ** 2)
    basis = np.stack([np.ones_like(d), d, shape, shape * d / lines.sigma**2], axis=-1)
    # The size in full: without lines there is nothing to work it out from.
    many = len(lines.x) * len(top), rows * (2 * reach + 1)
    found = _solve(basis.reshape(*many, 4), level.reshape(many), weight.reshape(many))
    return found.reshape(4, len(lines.x), len(top))


def _solve(basis: FloatArray, level: FloatArray, weight: FloatArray) -> FloatArray:
    weighted = np.swapaxes(basis * weight[..., None], 1, 2)
    usable = weight.sum(axis=1) > weight.shape[1] / 8
    inverse = np.linalg.inv(np.where(usable[:, None, None], weighted @ basis, np.eye(4)))
    coefficients = (inverse @ (weighted @ level[..., None]))[..., 0]
    residual = level - (basis @ coefficients[..., None])[..., 0]
    variance = (weight * residual**2).sum(axis=1) / np.maximum(weight.sum(axis=1) - 4, 1)
    height = (inverse[:, 2:3] @ weighted)[:, 0]  # what each pixel adds to it
    error = np.sqrt(variance * (height**2).sum(axis=1))
    result = np.stack([coefficients[:, 0], coefficients[:, 2], coefficients[:, 3], error])
    return np.where(usable, result, np.nan)


LEAST_PROMINENCE = 0.12  # of the strongest lines: a short division among long ones
LEAST_CONTRAST = 2.5  # of a strip, in standard errors
LEAST_CONTRAST_OF_RUN = 8.0
LONGEST_OFFSET = 1.5  # in half widths
LEAST_RUN = 5  # strips in a row, one may fail between two that hold
FWHM = 2.3548
SMALLEST_SIGMA = 0.6
WIDTHS = (0.5, 0.7, 1.0, 1.3)
ROUNDS = 4


@dataclass(frozen=True, eq=False)
class FoundLines:
    """Lines of one direction with the strips in which each was seen."""

    lines: Lines
    segments: Segments
    seen: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.lines.x)

    def of(self, kept: slice | NDArray[np.bool_]) -> FoundLines:
        """Return some of the lines."""
        return FoundLines(*_take(self.lines, self.segments, self.seen, kept))


def find_lines(grey: NDArray[np.float32], slope: float) -> FoundLines:
    """Lines near x = x_k + slope·y that run straight through at least five strips.

    Parameters
    ----------
    grey
        (rows, columns) picture in which the lines are steeper than 45°.
    slope
        Columns a row downwards, true within half a degree or so.
    """
    return follow(grey, _peaks(grey, slope))


def follow(grey: NDArray[np.float32], lines: Lines, least_run: int = LEAST_RUN) -> FoundLines:
    """Move lines to where the picture has them; drop those that do not hold through `least_run` strips."""
    tolerance = 2 * LONGEST_OFFSET
    for _ in range(ROUNDS):
        segments = fit_segments(grey, lines)
        seen = _seen(segments, tolerance * lines.sigma, least_run)
        kept = np.asarray(seen.any(axis=1))
        lines, segments, seen = _take(lines, segments, seen, kept)
        if not len(lines.x):
            break
        lines = _adjusted(lines, segments, seen, len(grey))
        if len(lines.x) > 1 and tolerance > LONGEST_OFFSET:
            lines = _of_best_width(grey, lines, seen)
        tolerance = LONGEST_OFFSET
    return FoundLines(*_take(lines, segments, seen, np.argsort(lines.x)))


def _peaks(grey: NDArray[np.float32], slope: float) -> Lines:
    from scipy import ndimage, signal

    profile, first_column = _projection(grey, slope)
    profile = ndimage.gaussian_filter1d(profile, 1.0)
    centred = profile - np.median(profile)
    profile = profile * (1.0 if (centred**3).sum() >= 0 else -1.0)
    peaks, found = signal.find_peaks(profile, prominence=0)
    if not len(peaks):
        return Lines(np.empty(0), slope, 1.0, SMALLEST_WINDOW)
    strong = found["prominences"] >= LEAST_PROMINENCE * np.percentile(found["prominences"], 95)
    peaks = peaks[strong]
    width = float(np.median(signal.peak_widths(profile, peaks)[0]))
    sigma = max(SMALLEST_SIGMA, width / FWHM)
    spacing = float(np.median(np.diff(peaks))) if len(peaks) > 1 else np.inf
    half_window = max(SMALLEST_WINDOW, min(3 * sigma + 1.5, 0.5 * spacing))
    return Lines(np.asarray(peaks + 0.5 + first_column, np.float64), slope, sigma, half_window)


def _projection(grey: NDArray[np.float32], slope: float) -> tuple[FloatArray, int]:
    """Mean along the lines, and the column (at the middle row) of its first value."""
    rows, columns = grey.shape
    shift = np.rint(slope * (np.arange(rows) + 0.5 - rows / 2)).astype(int)
    column = np.arange(columns)[None, :] - shift[:, None]
    first = int(column.min())
    place = (column - first).ravel()
    flat = grey - _local_mean(grey)
    count = np.bincount(place)
    total = np.bincount(place, weights=flat.ravel())
    profile = np.where(count >= rows / 8, total / np.maximum(count, 1), 0.0)
    return profile, first


def _local_mean(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    import cv2

    size = max(grey.shape) // 6 | 1
    return cv2.blur(grey, (size, size), borderType=cv2.BORDER_REFLECT)


def _seen(segments: Segments, tolerance: float, least_run: int) -> NDArray[np.bool_]:
    """(lines, strips) where a line of the ruling's polarity stands out, near its place, in an unbroken run."""
    with np.errstate(invalid="ignore"):
        clear = np.abs(segments.height) > LEAST_CONTRAST * segments.height_error
        near = np.abs(segments.offset) < tolerance
    polarity = np.sign(np.nanmedian(segments.height[clear])) if clear.any() else 1.0
    good = clear & near & (segments.height * polarity > 0)
    bridged = good.copy()
    bridged[:, 1:-1] |= good[:, :-2] & good[:, 2:]
    seen = good & _in_long_run(bridged, least_run)
    height, variance = (np.where(seen, a, 0.0).sum(axis=1) for a in (segments.height, segments.height_error**2))
    return seen & (np.abs(height) > LEAST_CONTRAST_OF_RUN * np.sqrt(variance))[:, None]


def _in_long_run(good: NDArray[np.bool_], least_run: int) -> NDArray[np.bool_]:
    """Keep only what belongs to the longest run of its row, if that is long enough."""
    padded = np.pad(good, ((0, 0), (1, 1)))
    change = np.diff(padded.astype(np.int8), axis=1)
    start, stop = np.nonzero(change == 1), np.nonzero(change == -1)
    length = stop[1] - start[1]
    longest = np.zeros(len(good), int)
    np.maximum.at(longest, start[0], length)
    kept = (length == longest[start[0]]) & (length >= least_run)
    result = np.zeros_like(padded, np.int8)
    np.add.at(result, (start[0][kept], start[1][kept] + 1), 1)
    np.add.at(result, (stop[0][kept], stop[1][kept] + 1), -1)
    return result.cumsum(axis=1)[:, 1:-1] > 0


def _take(
    lines: Lines, segments: Segments, seen: NDArray[np.bool_], kept: NDArray | slice
) -> tuple[Lines, Segments, NDArray[np.bool_]]:
    of_lines = {key: value[kept] for key, value in vars(segments).items() if key != "y"}
    return replace(lines, x=lines.x[kept]), Segments(y=segments.y, **of_lines), seen[kept]


def _of_best_width(grey: NDArray[np.float32], lines: Lines, seen: NDArray[np.bool_]) -> Lines:
    """Return the lines with the width at which they stand out most."""
    tried = []
    for factor in WIDTHS:
        sigma = max(SMALLEST_SIGMA, factor * lines.sigma)
        half_window = min(lines.half_window, max(SMALLEST_WINDOW, 3 * sigma + 1.5))
        other = replace(lines, sigma=sigma, half_window=half_window)
        segments = fit_segments(grey, other)
        with np.errstate(divide="ignore", invalid="ignore"):
            clearness = np.nanmedian((np.abs(segments.height) / segments.height_error)[seen])
        tried.append((float(clearness), sigma, other))
    return max(tried, key=lambda one: one[:2])[2]


def _adjusted(lines: Lines, segments: Segments, seen: NDArray[np.bool_], rows: int) -> Lines:
    """Lines moved to where their segments are: one slope for all, one crossing each."""
    y = np.where(seen, segments.y - rows / 2, np.nan)
    centred = y - np.nanmean(y, axis=1, keepdims=True)
    correction = np.nansum(centred * segments.offset) / np.nansum(centred**2)
    moved = np.nanmedian(np.where(seen, segments.offset, np.nan) - correction * y, axis=1)
    return replace(lines, x=lines.x + moved, slope=lines.slope + correction)
