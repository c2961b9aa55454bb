"""Banding: does the area fraction across the rolling direction vary more than chance makes it vary."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.measures.spectrum import Regularity, analysed_cells, regularity
from micro.statistics.sampling import NORMAL_95

FloatArray = NDArray[np.float64]

SIGNIFICANCE = 0.025
FEWEST = 30
PLACEMENTS, AT_ONCE = 199, 20
# So many placements with bands as strong decide: the field is not banded, whatever the rest would show.
AS_STRONG = 10
# Bands may lean by this part of a cycle over the length of the field.
LEAN = 0.5
BIN_PX = 2.0
# Waves are summed over bins across and strips along. Bins take no power from independent points, whose spectrum is
# flat: wide ones will do for carbides placed at random.
BINS_IN_A_WAVE, STRIPS = 8, 16
CELL_PX = 8
FINEST = 0.8
"""Cycles in a cell up to which the cells tell how waves see the analysed area; at 1 a wave looks like none. Derived."""
WIDEST = 0.75
"""Waves are looked at from this many cycles in the extent of the field on; below two no spacing can be told. Chosen."""
BEYOND_CHANCE = 2.0
"""Standard errors of the mean of a few waves beyond which rows are believed. Chosen."""
DISTANCES, DIAMETERS = 1.5, 3.0
"""The shortest spacing searched, in mean distances of carbides, and the least of it in their mean diameters. Chosen."""
ROWS_TO = 2.0
"""Rows of carbides along rolling are told by waves up to this many times as short as the shortest searched. Chosen."""
CHUNK, ROWS_AT_ONCE = 2_000_000, 64


@dataclass(frozen=True, eq=False)
class Banding:
    """Banding of one field, px; NaN where it cannot be told.

    Parameters
    ----------
    spacing
        Spacing of the strongest bands; NaN where the field is not banded, or they are wider than half of it.
    p_value
        How often the same carbides placed at random show bands as strong at any spacing, beyond what rows do.
    rows
        How many times the power of independent carbides there is at shorter spacings, too: 1 where they lie
        independently, about the number of carbides in a row where they lie in rows along rolling.
    too_wide
        Whether the strongest bands are wider than half of the field, so that no spacing can be told.
    contrast
        Standard deviation of the area fraction across the rolling direction over its mean, at the spacings
        searched.
    contrast_at_random
        The same for the same carbides placed at random.
    lane
        Mean width of the lanes poor in carbides, where the smoothed area fraction stays below its mean;
        NaN where the field is not banded.
    shortest
        Shortest spacing that was searched; of narrower bands nothing is known.
    position, fraction, smoothed, random_low, random_high
        Profile across the rolling direction: position, area fraction, the same smoothed to the spacings
        searched, and the band in which 95 % of the smoothed profile lies for carbides placed at random.
    """

    spacing: float
    p_value: float
    rows: float
    too_wide: bool
    contrast: float
    contrast_at_random: float
    lane: float
    shortest: float
    position: FloatArray
    fraction: FloatArray
    smoothed: FloatArray
    random_low: FloatArray
    random_high: FloatArray

    @property
    def spacing_uncertainty(self) -> float:
        """Standard uncertainty of the spacing: half a cycle more or less fits the field as well, evenly (derived)."""
        extent = float(np.ptp(self.position)) if len(self.position) else 0.0
        return self.spacing**2 / (2 * np.sqrt(3) * extent) if extent > 0 else np.nan


def banding(
    carbide: NDArray[np.bool_],
    excluded: NDArray[np.bool_],
    points: tuple[FloatArray, FloatArray, FloatArray],
    rolling_deg: float,
    seed: int = 0,
) -> Banding:
    """Test one field for bands along the rolling direction.

    The carbides, each weighted by its diameter, make a pattern whose power is taken at every spacing from
    1.5 times the mean distance of carbides to half the extent of the field. Power is judged against the same
    carbides placed at random, made as regular as the pattern is in all other directions: carbides cannot
    overlap, which leaves less power at long spacings than independent points have. Rows of carbides along rolling that
    lie at random raise the power of all spacings alike, down to those of single carbides: bands are what rises above
    that. Longer waves, up to 1.3 times the extent of the field, tell that there are bands but not their spacing.

    Parameters
    ----------
    carbide, excluded
        (rows, columns) True inside carbide; True where not analysed.
    points
        x, y and area of the carbides, (n,) each, px and px²; of cut ones the part inside the frame.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen.
    """
    frame = Frame.of(excluded, rolling_deg)
    return bands_of_points(points, frame, profile(carbide, excluded, rolling_deg), excluded.shape, seed)


def bands_of_points(
    points: tuple[FloatArray, FloatArray, FloatArray],
    frame: Frame,
    curve: Profile,
    shape: tuple[int, ...],
    seed: int = 0,
) -> Banding:
    """Test carbides whose profile across the rolling direction is known, as `banding` does.

    Parameters
    ----------
    points
        x, y and area of the carbides, (n,) each, px and px².
    shape
        (rows, columns) of the picture.
    """
    x, y, area = (np.asarray(values, float) for values in points)
    waves = Waves.of(frame, len(area), area)
    if len(area) < FEWEST or not len(waves.searched):
        return _unknown(curve)
    ecd = 2 * np.sqrt(area / np.pi)
    regular = regularity(x, y, ecd, (shape[0], shape[1]), frame.across, float(waves.searched[-1]))
    power = waves.power(*frame.turn(x, y), ecd)[0]
    expected, rows = _continuum(power, waves, frame, (x, y, area), regular)
    power = power[:, : waves.searched_to] / expected
    p_value = chance_of(float(power.max()), waves, frame, ecd, regular, np.random.default_rng(seed))
    peak = waves.peak(power)
    found = _Found(p_value, rows, peak < waves.searched[0], 1 / peak)
    return _measures(curve, waves, (frame.turn(x, y), area), regular, found)


def _continuum(
    power: FloatArray,
    waves: Waves,
    frame: Frame,
    points: tuple[FloatArray, FloatArray, FloatArray],
    regular: Regularity,
) -> tuple[FloatArray, float]:
    """(waves,) power to expect without bands up to the last searched, and how many times rows raise it (1: none).

    Rows of carbides along rolling, wherever they lie, raise the power (3, waves) at all spacings across, also at those
    too short for bands. What no rows do is told by the waves along rolling, where rows do not show, and by the
    regularity.
    """
    at = waves.frequency[: waves.searched_to]
    expected = regular.at(at)
    x, y, area = points
    weight = 2 * np.sqrt(area / np.pi)
    turned = replace(frame, rolling_deg=frame.rolling_deg + 90, u=frame.v, v=-frame.u)
    along = Waves.of(turned, len(area), area)
    of_rows = power[:, waves.searched_to :]
    of_none = along.power(*turned.turn(x, y), weight)[0, :, along.searched_to :]
    if not (of_rows.size and of_none.size):
        return expected, 1.0
    without = max(1.0, min(float(of_none.mean()), float(expected[-1])))
    independent = max(of_rows.shape[1] * waves.extent / waves.length, 1.0)  # waves 1/extent apart in frequency
    found = float(of_rows.mean())
    chance = 1 + BEYOND_CHANCE / np.sqrt(independent)
    if found <= without * chance:
        return expected, 1.0
    # The few waves tell the level of rows only so well: bands must rise above all that they leave open.
    return np.maximum(expected, found * chance), found / without


def rows_unseen(carbides: FloatArray, fraction: FloatArray) -> float:
    """Power of rows that fields leave open where none of them shows rows: so seen in one of 40 such sets (derived).

    The mean of a field's independent waves scatters by one over the root of their number, and is believed from
    BEYOND_CHANCE of that on. The waves follow from the shortest spacing as in `Waves.of`.

    Parameters
    ----------
    carbides, fraction
        (fields,) number of carbides and area fraction of each field.
    """
    from scipy import special

    shortest = np.maximum(DISTANCES, DIAMETERS * np.sqrt(4 * fraction / np.pi)) / np.sqrt(np.maximum(carbides, 1.0))
    scatter = np.sqrt(1 / np.maximum((ROWS_TO - 1) / shortest, 1.0))
    power = np.linspace(1.0, 1 + 4 * BEYOND_CHANCE, 801)[:, None]
    unseen = special.log_ndtr((1 + BEYOND_CHANCE * scatter - power) / (power * scatter)).sum(axis=1)
    return float(power[np.argmax(unseen < np.log(SIGNIFICANCE)), 0]) if unseen[-1] < np.log(SIGNIFICANCE) else np.inf


@dataclass(frozen=True)
class _Found:
    """What the test for bands found."""

    p_value: float
    rows: float
    too_wide: bool
    spacing: float


@dataclass(frozen=True, eq=False)
class Frame:
    """The analysed area seen across (u) and along (v) the rolling direction, px.

    Parameters
    ----------
    u, v, share
        (cells,) middles of cells and the share of the analysed area that each holds.
    """

    rolling_deg: float
    rows: int
    columns: int
    u: FloatArray
    v: FloatArray
    share: FloatArray
    whole: bool

    @classmethod
    def of(cls, excluded: NDArray[np.bool_], rolling_deg: float) -> Frame:
        """Cut the analysed area into cells."""
        pixels, x, y = analysed_cells(excluded, CELL_PX)
        share, whole = pixels / max(pixels.sum(), 1.0), not excluded.any()
        rows, columns = excluded.shape
        return cls(rolling_deg, rows, columns, *across_and_along(x, y, rolling_deg), share, whole)

    @property
    def across(self) -> tuple[float, float]:
        """Unit vector (x, y) across the rolling direction."""
        turn = np.radians(self.rolling_deg)
        return float(np.sin(turn)), float(np.cos(turn))

    def turn(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions across and along the rolling direction."""
        return across_and_along(x, y, self.rolling_deg)

    def random_points(self, shape: tuple[int, int], rng: np.random.Generator) -> tuple[NDArray, NDArray]:
        """Positions across and along of points spread evenly over the analysed area."""
        if self.whole:
            x, y = rng.random((2, *shape), dtype=np.float32)
            return self.turn(x * self.columns, y * self.rows)
        # Cells are taken with even chances and kept by what they hold: much faster than a choice with weights.
        some = np.flatnonzero(self.share)
        holds, kept = self.share[some] / self.share.max(), np.empty(0, np.intp)
        while len(kept) < np.prod(shape):
            taken = rng.integers(0, len(some), shape)
            kept = np.append(kept, taken[rng.random(shape) < holds[taken]])
        cell = some[kept[: np.prod(shape)]].reshape(shape)
        du, dv = self.turn(*(CELL_PX * (rng.random((2, *shape), dtype=np.float32) - 0.5)))
        return self.u[cell] + du, self.v[cell] + dv


def across_and_along(x: NDArray, y: NDArray, rolling_deg: float) -> tuple[NDArray, NDArray]:
    """Across and along coordinate of picture positions."""
    sin, cos = float(np.sin(np.radians(rolling_deg))), float(np.cos(np.radians(rolling_deg)))
    return x * sin + y * cos, x * cos - y * sin


@dataclass(frozen=True, eq=False)
class Waves:
    """The waves across the rolling direction that are searched.

    Parameters
    ----------
    frequency
        (waves,) rising, cycles per px: too long for two bands in the field, searched, and too short for bands.
    searched_from, searched_to
        Which of them are searched; none where the field is too small to hold two bands.
    extent
        Effective extent of the field across, px.
    first
        Position across and along of the first corner of the field.
    length, keep
        Period of the Fourier terms, px, and which of them the frequencies are.
    bin_px
        Width of the bins for points placed at random, a multiple of `BIN_PX`.
    period
        Length along over which a leaning wave turns once.
    window
        (3, waves) transform of the analysed area: upright, and leaning either way.
    """

    frequency: FloatArray
    searched_from: int
    searched_to: int
    extent: float
    first: tuple[float, float]
    length: float
    keep: slice
    bin_px: float
    period: float
    window: NDArray[np.complex64]

    @classmethod
    def of(cls, frame: Frame, count: int, area: FloatArray) -> Waves:
        """Choose spacings from 1.5 mean distances (3 mean diameters at least) to half the extent of the field."""
        first = float(frame.u.min() - CELL_PX), float(frame.v.min() - CELL_PX)
        per_bin = np.bincount(((frame.u - first[0]) / CELL_PX).astype(int), frame.share)
        extent = CELL_PX / np.sum(per_bin**2) if frame.share.any() else 0.0
        ecd = 2 * np.sqrt(area.mean() / np.pi) if count else np.inf
        apart = np.sqrt(frame.rows * frame.columns / max(count, 1))
        shortest = max(DISTANCES * apart, DIAMETERS * ecd, 8 * BIN_PX)
        bin_px = BIN_PX * max(1, int(min(shortest, extent) / BINS_IN_A_WAVE / BIN_PX))
        length = bin_px * cv2.getOptimalDFTSize(int(4 * (np.ptp(frame.u) + 2 * CELL_PX) / bin_px) + 1)
        step = 1 / length
        lowest, low = (int(np.ceil(cycles / max(extent, 1.0) / step)) for cycles in (WIDEST, 2.0))
        high = max(int(1 / shortest / step) + 1, low)
        keep = slice(lowest, max(int(min(ROWS_TO / shortest, FINEST / CELL_PX) / step), high) + 1)
        period = max(float(np.ptp(frame.v)), CELL_PX) / LEAN
        frequency = np.arange(keep.start, keep.stop, dtype=np.float64) * step
        bare = cls(
            frequency,
            low - lowest,
            high - lowest,
            extent,
            first,
            length,
            keep,
            bin_px,
            period,
            np.zeros(1, np.complex64),
        )
        window = bare.transform(frame.u[None], frame.v[None], frame.share)[0]
        return replace(bare, window=window)

    @property
    def searched(self) -> FloatArray:
        """Frequencies at which bands can show their spacing."""
        return self.frequency[self.searched_from : self.searched_to]

    def transform(
        self, u: FloatArray, v: FloatArray, weight: FloatArray, bin_px: float = BIN_PX
    ) -> NDArray[np.complex64]:
        """(draws, 3, waves) transform of weighted points at u, v (draws, n): upright, leaning either way."""
        draws, bins = len(u), int(self.length / 4 / bin_px) + 2
        strip = (self.period * LEAN + 2 * CELL_PX) / STRIPS
        across = ((u - self.first[0]) / bin_px + 0.5).astype(np.intp)
        along = ((v - self.first[1]) / strip).astype(np.intp)
        place = (bins * np.arange(draws)[:, None] + across) * STRIPS + along
        mass = np.bincount(place.ravel(), np.broadcast_to(weight, u.shape).ravel(), draws * bins * STRIPS)
        turn = 2 * np.pi / self.period * strip * np.arange(STRIPS)
        parts = mass.reshape(draws, bins, STRIPS) @ np.stack([np.ones(STRIPS), np.cos(turn), np.sin(turn)], axis=1)
        # Single precision is far finer than what chance does to a wave.
        waves = np.fft.rfft(parts.astype(np.float32), round(self.length / bin_px), axis=1)[:, self.keep]
        upright, even, odd = np.moveaxis(waves, 2, 0)
        return np.stack([upright, even - 1j * odd, even + 1j * odd], axis=1)

    def power(self, u: FloatArray, v: FloatArray, weight: FloatArray, bin_px: float = BIN_PX) -> FloatArray:
        """(draws, 3, waves) power over its mean for points placed independently."""
        wave = self.transform(np.atleast_2d(u), np.atleast_2d(v), weight, bin_px) - weight.sum() * self.window
        return np.abs(wave) ** 2 / (np.sum(weight**2) * (1 - np.abs(self.window) ** 2))

    def peak(self, power: FloatArray) -> float:
        """Frequency of the highest of `power` (3, waves)."""
        lean, place = np.unravel_index(int(np.argmax(power)), power.shape)
        return float(np.hypot(self.frequency[place], (lean > 0) / self.period))


def chance_of(
    power: float, waves: Waves, frame: Frame, weight: FloatArray, regular: Regularity, rng: np.random.Generator
) -> float:
    """P-value of the strongest wave among those of the carbides placed at random.

    Few carbides tell badly how regular they are: each placement errs in that as the pattern does. Placements stop early
    where the answer is clear; the p-value is then the share that was as strong by the last one (J. Besag and P.
    Clifford, 1991; from memory).
    """
    at_once = max(1, min(AT_ONCE, CHUNK // len(weight)))
    up_to = slice(waves.keep.start, waves.keep.start + waves.searched_to)
    searched = replace(waves, keep=up_to, window=waves.window[:, : waves.searched_to])
    as_strong = placed = 0
    while placed < PLACEMENTS:
        u, v = frame.random_points((min(at_once, PLACEMENTS - placed), len(weight)), rng)
        powers = searched.power(u, v, weight, waves.bin_px).max(axis=1)
        strongest = powers / regular.errors(waves.frequency[: waves.searched_to], len(u), rng)
        reached = as_strong + np.cumsum(strongest.max(axis=1) >= power)
        if reached[-1] >= AS_STRONG:
            return AS_STRONG / (placed + 1 + int(np.argmax(reached >= AS_STRONG)))
        as_strong, placed = int(reached[-1]), placed + len(u)
    return (1 + as_strong) / (1 + placed)


@dataclass(frozen=True, eq=False)
class Profile:
    """Carbide and analysed area in bins across the rolling direction, px²."""

    position: FloatArray
    carbide: FloatArray
    analysed: FloatArray


def profile(carbide: NDArray[np.bool_], excluded: NDArray[np.bool_], rolling_deg: float) -> Profile:
    """Sum carbide and analysed area along the rolling direction, every pixel once."""
    rows, columns = carbide.shape
    by_row, by_column, first = _bins(rows, columns, rolling_deg)
    everywhere = _everywhere(rows, columns, rolling_deg)

    def counted(mask: NDArray[np.bool_]) -> FloatArray:
        row, column = np.divmod(np.flatnonzero(mask), columns)
        place = (by_row[row] + by_column[column]).astype(np.intp)
        return np.asarray(np.bincount(place, minlength=len(everywhere)), np.float64)

    anything = excluded.any()
    analysed = np.trim_zeros(everywhere - counted(excluded), "b") if anything else everywhere
    carbide_px = counted(carbide & ~excluded if anything else carbide)[: len(analysed)]
    position = (first + 0.5 + np.arange(len(analysed), dtype=np.float64)) * BIN_PX
    return Profile(position, carbide_px, analysed)


def _bins(rows: int, columns: int, rolling_deg: float) -> tuple[FloatArray, FloatArray, float]:
    """(rows,) and (columns,) whose sums are the places of pixels in bins across, and the place of the first bin."""
    turn = np.radians(rolling_deg)
    by_row = (np.arange(rows) + 0.5) * np.cos(turn) / BIN_PX
    by_column = (np.arange(columns) + 0.5) * np.sin(turn) / BIN_PX
    first = float(np.floor(by_row.min() + by_column.min()))
    return by_row, by_column - first, first


@lru_cache(maxsize=4)
def _everywhere(rows: int, columns: int, rolling_deg: float) -> FloatArray:
    """(bins,) pixels of the whole picture; fields of one series are alike."""
    by_row, by_column, _ = _bins(rows, columns, rolling_deg)
    bins = int(by_row.max() + by_column.max()) + 1
    found = np.zeros(bins)
    for some in np.array_split(by_row, max(1, rows // ROWS_AT_ONCE)):
        found += np.bincount((some[:, None] + by_column).astype(np.intp).ravel(), minlength=bins)
    found.flags.writeable = False  # kept for the next field
    return found


def _unknown(curve: Profile) -> Banding:
    with np.errstate(invalid="ignore"):
        fraction = curve.carbide / curve.analysed
    nothing = np.full(len(fraction), np.nan)
    unknown = (np.nan, np.nan, np.nan, False, np.nan, np.nan, np.nan, np.nan)
    return Banding(*unknown, curve.position, fraction, nothing, nothing, nothing)


def _measures(
    curve: Profile,
    waves: Waves,
    carbides: tuple[tuple[FloatArray, FloatArray], FloatArray],
    regular: Regularity,
    found: _Found,
) -> Banding:
    (u, v), area = carbides
    searched = slice(waves.searched_from, waves.searched_to)
    ratio = regular.at(waves.searched)
    share = np.sum(area**2) / area.sum() ** 2 * (1 - np.abs(waves.window[0, searched]) ** 2)
    width = 2 * waves.extent * (waves.frequency[1] - waves.frequency[0]) if len(waves.frequency) > 1 else 0.0
    contrast = np.sqrt(width * np.sum(waves.power(u, v, area)[0, 0, searched] * share))
    at_random = np.sqrt(width * np.sum(ratio * share))
    sigma = 1 / waves.searched[-1] / 5 / BIN_PX
    analysed, smoothed = _smoothed(curve.analysed, sigma), _smoothed(curve.carbide, sigma)
    mean = curve.carbide.sum() / curve.analysed.sum()
    narrow = _smoothed(curve.analysed, sigma / np.sqrt(2)) / (2 * sigma * np.sqrt(np.pi))
    spread = NORMAL_95 * np.sqrt(np.sum(area**2) / curve.analysed.sum() * ratio.mean() * narrow)
    # Nothing is known where nothing is analysed.
    with np.errstate(invalid="ignore"):
        fraction, smoothed, spread = curve.carbide / curve.analysed, smoothed / analysed, spread / analysed
    banded = found.p_value <= SIGNIFICANCE and not found.too_wide
    return Banding(
        found.spacing if banded else np.nan,
        found.p_value,
        found.rows,
        found.p_value <= SIGNIFICANCE and found.too_wide,
        contrast,
        at_random,
        lane_width(smoothed < mean) * BIN_PX if banded else np.nan,
        1 / float(waves.searched[-1]),
        curve.position,
        fraction,
        smoothed,
        np.maximum(mean - spread, 0),
        mean + spread,
    )


def _smoothed(values: FloatArray, sigma: float) -> FloatArray:
    """Gaussian average of a curve that is 0 beyond its ends."""
    reach = 2 * int(4 * sigma + 0.5) + 1
    return np.asarray(cv2.GaussianBlur(values[:, None], (1, reach), sigma, borderType=cv2.BORDER_CONSTANT)[:, 0], float)


def lane_width(poor: NDArray[np.bool_]) -> float:
    """Mean length of the runs of True that the ends do not cut; NaN where there is none."""
    steps = np.diff(poor.astype(np.int8))
    starts, stops = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    stops = stops[stops > starts[0]] if len(starts) else stops[:0]
    lengths = stops - starts[: len(stops)]
    return float(lengths.mean()) if len(lengths) else np.nan
