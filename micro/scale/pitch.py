"""The pitch of a ruling: divisions, numbering, line fit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micro.scale.detection import SMALLEST_WINDOW, FloatArray, FoundLines, Segments, fit_segments, follow
from micro.statistics.robust import SPREAD_OF_NORMAL, spread

PARTS = (10, 5, 2)
LEAST_CONTRAST = 6.0  # of all lines together, in standard errors
LEAST_SHARE = 0.02  # of the contrast of the lines found
SHORT_RUN = 2  # strips, where the place is known beforehand
NARROWEST = 2.5  # spacing of lines that can be told apart, in half widths


def completed(grey: NDArray[np.float32], found: FoundLines) -> FoundLines:
    """Look for the shorter lines that an even ruling lacks, where its numbers say they must be."""
    number, fits = number_lines(found.lines.x)
    if fits.sum() < 2:
        return found
    pitch, start = np.polyfit(number[fits], found.lines.x[fits], 1)
    lacking = np.setdiff1d(np.arange(number[fits].max() + 1), number[fits])
    x = np.sort(np.concatenate([found.lines.x[fits], start + pitch * lacking]))
    half_window = min(found.lines.half_window, max(SMALLEST_WINDOW, 0.5 * pitch))
    return follow(grey, replace(found.lines, x=x, half_window=half_window), SHORT_RUN)


def finer_ruling(grey: NDArray[np.float32], found: FoundLines) -> tuple[FoundLines, int] | None:
    """Lines found with those that divide their spacing by ten, five or two, and how many there should be.

    None where nothing divides the spacing.

    Parameters
    ----------
    grey
        (rows, columns) picture the lines were found in.
    found
        At least five lines of an even ruling.
    """
    number, fits = number_lines(found.lines.x)
    pitch, start = np.polyfit(number[fits], found.lines.x[fits], 1)
    whole = np.unique(number[fits])[:-1]
    beside = _beside(found, number, fits, whole)
    for parts in PARTS:
        if pitch / parts < NARROWEST * found.lines.sigma:
            continue
        between = whole[:, None] + np.arange(1, parts) / parts
        half_window = min(found.lines.half_window, max(SMALLEST_WINDOW, 0.5 * pitch / parts))
        fine = replace(found.lines, x=start + pitch * between.ravel(), half_window=half_window)
        if _stand_out(fit_segments(grey, fine), found, beside, parts - 1):
            both = np.sort(np.concatenate([found.lines.x, fine.x]))
            return follow(grey, replace(fine, x=both), SHORT_RUN), parts * len(whole)
    return None


def _beside(
    found: FoundLines, number: NDArray[np.intp], fits: NDArray[np.bool_], whole: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """(spacings, strips) where the line at either side of a spacing is seen."""
    seen = np.zeros((number.max() + 2, found.seen.shape[1]), bool)
    seen[number[fits]] = found.seen[fits]
    return seen[whole] | seen[whole + 1]


def _stand_out(segments: Segments, found: FoundLines, beside: NDArray[np.bool_], parts: int) -> bool:
    """Whether lines stand at every part of the spacing, all spacings laid over each other."""
    shape = (len(beside), parts, -1)
    height, error = segments.height.reshape(shape), segments.height_error.reshape(shape)
    counted = np.isfinite(height) & beside[:, None]
    count = np.maximum(counted.sum(axis=(0, 2)), 1)
    mean = np.where(counted, height, 0.0).sum(axis=(0, 2)) / count
    of_mean = np.sqrt(np.where(counted, error**2, 0.0).sum(axis=(0, 2))) / count
    usual = float(np.median(found.segments.height[found.seen]))
    return bool(((mean * np.sign(usual) > LEAST_CONTRAST * of_mean) & (mean / usual > LEAST_SHARE)).all())


LEAST_LINES = 5
LEAST_FOR_DISTORTION = 8
SIGNIFICANCE = 0.01
SMALLEST_PITCH = 2.5
ROUNDS = 4
OUTLIER = 5.0  # robust standard deviations


@dataclass(frozen=True)
class Distortion:
    """How much the local scale parts from the fitted one along the ruling.

    Parameters
    ----------
    largest_pct
        Largest departure of the local scale, of a cubic through the lines, percent.
    standard_uncertainty_pct
        Of `largest_pct`.
    rms_pct
        Root mean square departure along the ruling.
    p_value
        Chance that scatter alone bends a straight ruling as much (F test of the square and cubic terms).
    """

    largest_pct: float
    standard_uncertainty_pct: float
    rms_pct: float
    p_value: float

    @property
    def significant(self) -> bool:
        """Whether scatter alone can hardly explain it."""
        return self.p_value < SIGNIFICANCE


@dataclass(frozen=True, eq=False)
class PitchFit:
    """Distance of neighbouring lines, across the lines, in px.

    Parameters
    ----------
    pitch_px, standard_uncertainty_px
        Pitch and its standard uncertainty.
    number
        (lines,) place of each line in the ruling, from 0; whole.
    residual_px
        (lines,) distance of each line from its place.
    used
        (lines,) False for what was left out: dust, scratches, misplaced lines.
    slope, slope_standard_uncertainty
        Columns a row downwards, of all lines.
    distortion
        None with fewer than eight lines.
    """

    pitch_px: float
    standard_uncertainty_px: float
    number: NDArray[np.intp]
    residual_px: FloatArray
    used: NDArray[np.bool_]
    slope: float
    slope_standard_uncertainty: float
    distortion: Distortion | None


def number_lines(x: FloatArray) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Give each line its whole number in an even ruling.

    Parameters
    ----------
    x
        (lines,) rising positions, px; lines may be missing and strange ones present.

    Returns
    -------
    number
        (lines,) whole numbers, the first line that fits 0.
    fits
        (lines,) True where the position lies within a fifth of a pitch of its number's place.
    """
    span = np.ptp(x)
    if span < 4 * SMALLEST_PITCH:
        return np.zeros(len(x), int), np.zeros(len(x), bool)
    frequency = np.arange(3 / span, 1 / SMALLEST_PITCH, 0.05 / span)
    score = np.abs(np.exp(2j * np.pi * frequency[:, None] * (x - x[0])).mean(axis=1))
    first = int(np.argmax(score > 0.9 * score.max()))
    last = min(len(score), first + 20)
    pitch = 1 / frequency[first + int(np.argmax(score[first:last]))]
    start = x[0] - pitch * np.angle(np.exp(-2j * np.pi * (x - x[0]) / pitch).mean()) / (2 * np.pi)
    number, fits = _numbered(x, start, pitch)
    coarser = _without_strange_lines(x, number, fits)
    number, fits = (number, fits) if coarser is None else coarser
    return number - number[fits].min(initial=0), fits


def _numbered(x: FloatArray, start: float, pitch: float) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Whole numbers in a ruling that begins about there, and which lines fit."""
    fits = np.ones(len(x), bool)
    for _ in range(5):
        number = np.rint((x - start) / pitch).astype(int)
        off = np.abs(x - start - pitch * number)
        fits = (off < 0.2 * pitch) & _nearest_of_its_number(number, off)
        if len(np.unique(number[fits])) < 2:
            break
        pitch, start = np.polyfit(number[fits], x[fits], 1)
    return number, fits


LEAST_SHARE_KEPT = 0.7  # of the lines: what leaves out more is no ruling with strange lines (chosen)


def _without_strange_lines(
    x: FloatArray, number: NDArray[np.intp], fits: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]] | None:
    """Give numbers by the usual step where that is above 1: one strange line among even ones divides their spacing.

    None where the step is 1, and where a line left out lies at a place of the finer ruling as well as its lines keep to
    theirs: it may be one of that ruling, whose others were not seen.
    """
    steps = np.diff(number[fits])
    step = int(np.bincount(steps).argmax()) if len(steps) else 0
    if step < 2:
        return None
    even = np.flatnonzero(fits)[np.union1d(np.flatnonzero(steps == step), np.flatnonzero(steps == step) + 1)]
    pitch, start = np.polyfit((number[even] - number[even[0]]) / step, x[even], 1)
    coarse, kept = _numbered(x, start, pitch)
    if kept.sum() < max(LEAST_LINES, LEAST_SHARE_KEPT * len(x)):
        return None
    pitch, start = np.polyfit(coarse[kept], x[kept], 1)
    place = (x - start) * step / pitch
    off = np.abs(place - np.rint(place))
    return None if (off[~kept] <= OUTLIER * np.quantile(off[kept], 0.9)).any() else (coarse, kept)


def _nearest_of_its_number(number: NDArray[np.intp], off: FloatArray) -> NDArray[np.bool_]:
    order = np.lexsort((off, number))
    nearest = np.zeros(len(number), bool)
    nearest[order] = np.diff(number[order], prepend=number[order[0]] - 1) != 0
    return nearest


def fit_pitch(found: FoundLines) -> PitchFit:
    """Least squares pitch of the lines found, at least five of them in one even ruling.

    Each line is the mean of its segments along the common slope; its variance is that of the segments, from
    pixel noise, plus the ruling's own, which Mandel and Paule's equation (chi-square = degrees of freedom)
    gives. The standard uncertainty carries the factor √(ν/(ν - 2)) of few degrees of freedom ν (JCGM 101:2008,
    6.4.9.4), so that ± 1.96 times it is a 95 % interval.
    """
    number, used = number_lines(found.lines.x)
    slope, slope_variance, x, y, variance = _line_positions(found, used)
    for _ in range(ROUNDS):
        weight = _weights(number[used], x[used], variance[used])
        line = _weighted_line(number[used], x[used], weight)
        residual = x - line[0] - line[1] * number
        kept = used & (np.abs(residual) <= OUTLIER * max(spread(residual[used]), 1e-3))
        if kept.sum() < LEAST_LINES or (kept == used).all():
            break
        used = kept
    weight = _weights(number[used], x[used], variance[used])
    line = _weighted_line(number[used], x[used], weight)
    residual = x - line[0] - line[1] * number
    n = number[used] - np.average(number[used], weights=weight)
    leverage = weight * n / (weight * n**2).sum()
    by_slope = -(leverage @ y[used]) - line[1] * slope / (1 + slope**2)
    freedom = int(used.sum()) - 2
    few = freedom / (freedom - 2) if freedom > 2 else np.inf
    across = 1 / np.hypot(1, slope)
    uncertainty = across * np.sqrt(few / (weight * n**2).sum() + by_slope**2 * slope_variance)
    return PitchFit(
        float(line[1] * across),
        float(uncertainty),
        number - number[used].min(),
        residual * across,
        used,
        slope,
        float(np.sqrt(slope_variance)),
        _distortion(n, x[used]) if used.sum() >= LEAST_FOR_DISTORTION else None,
    )


def _line_positions(
    found: FoundLines, used: NDArray[np.bool_]
) -> tuple[float, float, FloatArray, FloatArray, FloatArray]:
    """Return slope, its variance, and of every line: crossing with the mean row, mean row, variance."""
    x = np.where(found.seen, found.segments.x, np.nan)
    y = np.where(found.seen, found.segments.y, np.nan)
    for _ in range(4):
        x_mean, y_mean = np.nanmean(x, axis=1, keepdims=True), np.nanmean(y, axis=1, keepdims=True)
        run = (y - y_mean)[used]
        slope = np.nansum(run * (x - x_mean)[used]) / np.nansum(run**2)
        scatter = x - x_mean - slope * (y - y_mean)
        limit = OUTLIER * SPREAD_OF_NORMAL * np.nanmedian(np.abs(scatter[used]))
        wild = np.abs(scatter) > max(limit, 1e-3)
        few = np.sum(~np.isnan(x) & ~wild, axis=1, keepdims=True) < 2
        wild &= ~few
        x, y = np.where(wild, np.nan, x), np.where(wild, np.nan, y)
    count = np.sum(~np.isnan(x), axis=1)
    segment_variance = np.nansum(scatter[used] ** 2) / max(1, (count[used] - 1).sum() - 1)
    x_line, y_line = np.nanmean(x, axis=1), np.nanmean(y, axis=1)
    y_line = y_line - y_line[used].mean()
    slope_variance = segment_variance / np.nansum(run**2)
    return float(slope), float(slope_variance), x_line - slope * y_line, y_line, segment_variance / count


def _weights(number: NDArray[np.intp], x: FloatArray, variance: FloatArray) -> FloatArray:
    """1/(τ² + variance), τ² ≥ 0 such that the weighted residuals have chi-square = degrees of freedom."""
    from scipy.optimize import brentq

    variance = np.maximum(variance, 1e-12)

    def excess(between: float) -> float:
        weight = 1 / (between + variance)
        a, b = _weighted_line(number, x, weight)
        return float((weight * (x - a - b * number) ** 2).sum() - (len(x) - 2))

    if excess(0.0) <= 0:
        return 1 / variance
    top = float(np.ptp(x)) ** 2
    return 1 / (brentq(excess, 0.0, top, xtol=1e-14) + variance)


def _weighted_line(number: NDArray[np.intp], x: FloatArray, weight: FloatArray) -> tuple[float, float]:
    n = number - np.average(number, weights=weight)
    slope = (weight * n * x).sum() / (weight * n**2).sum()
    return float(np.average(x, weights=weight) - slope * np.average(number, weights=weight)), float(slope)


def _distortion(number: FloatArray, x: FloatArray) -> Distortion:
    """Square and cubic Legendre terms of the positions; their slope is the departure of the local scale."""
    from scipy.special import fdtrc

    t = 2 * (number - number.min()) / np.ptp(number) - 1
    basis = np.polynomial.legendre.legvander(t, 3)
    inverse = np.linalg.inv(basis.T @ basis)
    terms = inverse @ (basis.T @ x)
    freedom = len(x) - 4
    variance = ((x - basis @ terms) ** 2).sum() / freedom
    straight = basis[:, :2] @ np.linalg.lstsq(basis[:, :2], x, rcond=None)[0]
    gain = ((x - straight) ** 2).sum() - variance * freedom
    along = np.linspace(-1, 1, 101)
    change = np.stack([3 * along, 7.5 * along**2 - 1.5], axis=1) / terms[1]
    departure = change @ terms[2:]
    worst = int(np.argmax(np.abs(departure)))
    error = np.sqrt(variance * change[worst] @ inverse[2:, 2:] @ change[worst])
    p_value = fdtrc(2, freedom, gain / 2 / variance) if variance > 0 else 1.0
    return Distortion(
        float(100 * abs(departure[worst])),
        float(100 * error),
        float(100 * np.sqrt(np.mean(departure**2))),
        float(p_value),
    )
