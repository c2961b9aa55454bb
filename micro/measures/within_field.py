"""How sure one field is of itself: the sampling error of its totals, from how its carbides lie in it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from micro.measures.spectrum import analysed_cells, level_and_slope
from micro.statistics.sampling import NORMAL_95, student_t
from micro.tables.columns import SAMPLED

FloatArray = NDArray[np.float64]
Total = tuple[FloatArray, FloatArray | None, float]
"""Numerator, denominator and share of the area, as of `Carbides.relative_uncertainty`."""

LEAST_SQUARE = 1e-9  # a cosine has 1/2; what few cells cannot hold has rounding errors only
CELL_PX = 16
# Figures below: share of fields of 1024 × 768 px held, simulated; tests/measures/test_within_field.py simulates again.
# The waves with the fewest cycles on the field. More of them are surer and reach shorter structure, which says less of
# the field as a whole.
EVEN_WAVES = 16
# Where their power, over twice as many, still rises towards none by more than a standard error, it is followed there:
# clusters of 60 px are held in 94.7 % where the mean of 16 holds them in 93.5, of 90 px in 93.2 for 90.9 (2 000 fields
# each); carbides at random get intervals wider by a twentieth, and by a tenth were half a standard error enough.
MORE_WAVES, RISES = 32, 1.0
MOST_CYCLES = 12
# Waves across rolling of up to two cycles: bands run through the field, so only these see them. With six, irregular
# bands a third of the field apart were held in 78 %, with four in 86 %; three widen all others by a seventh. Their
# power, too, is followed to no cycles where it rises: 92 %, and 93.5 % with the last six as the finer ones, not seven.
BAND_WAVES, FINER_WAVES, FINEST_WAVES = 4, 12, 6
# They count where chance seldom makes them so strong: at 0.2 bands were held in 93 %, at 0.6 random fields in 98 %.
BANDED_CHANCE = 0.3
# The longest waves stand out of the finer ones by chance in so many fields (chosen).
LONG_CHANCE = 0.01
FEWEST = 10
WITHIN = {quantity: column.name for quantity, column in SAMPLED.items()}
"""Quantities whose sampling error one field tells, and their columns of fields.csv."""


@dataclass(frozen=True, eq=False)
class Carbides:
    """Where the carbides of a field lie, and what part of it is analysed, px.

    Parameters
    ----------
    x, y
        (n,) centroids.
    excluded
        (rows, columns) True where not analysed.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen; None where none is known: bands along
        either side of the picture are looked for.
    """

    x: FloatArray
    y: FloatArray
    excluded: NDArray[np.bool_]
    rolling_deg: float | None = None

    def relative_uncertainty(
        self, numerator: FloatArray, denominator: FloatArray | None = None, of_area: float = 0.0
    ) -> float:
        """Relative standard uncertainty of Σ numerator over Σ denominator, as an estimate for more of the same.

        The sum is the integral of a random density. Its variance is the power of that density at no cycles on the field
        (G. Matheron, from memory: far below the field, covariance integrated, times area), and the waves with the
        fewest cycles show that power: each is orthogonal to the mean, and its square estimates the variance. Where it
        still rises towards fewer cycles, structure is long, and the power is followed to none. Where the waves across
        rolling are stronger than the others, bands run through the field and these alone count.

        Parameters
        ----------
        numerator
            (n,) what each carbide adds to the total: area, weight, intercepts.
        denominator
            (n,) the same for the total below; None: the area analysed.
        of_area
            The total below holds the area analysed, too, so many times: 1 with the carbides' areas below 0 makes it
            that of the matrix.

        Returns
        -------
        float
            Widened for its degrees of freedom, t·u/1.96, so that 1.96 of it holds 95 % as Student's t does; NaN where
            one field cannot tell: few carbides, or structure longer than a third of the field.
        """
        return float(self.relative_uncertainties([(numerator, denominator, of_area)])[0])

    def relative_uncertainties(self, totals: Sequence[Total]) -> FloatArray:
        """(totals,) of each as of `relative_uncertainty`: many together take a fraction of the time."""
        residuals = [self._residual(*total) for total in totals]
        known = [k for k, one in enumerate(residuals) if one is not None]
        found = np.full(len(totals), math.nan)
        if not known:
            return found
        residual = np.array([residuals[k] for k in known])
        # An estimate from few large carbides is less sure than so many waves: kurtosis of the carbides' own part.
        own = residual[:, : len(self.x)] ** 2
        few = (own**2).sum(axis=1) / np.maximum(own.sum(axis=1) ** 2, np.finfo(float).tiny) / 2
        waves, square = self._even
        power = [(residual @ each.T) ** 2 for each in (waves, *self._banded)]
        found[known] = _widened(power[0], square, power[1:], few)
        return found

    def _residual(self, numerator: FloatArray, denominator: FloatArray | None, of_area: float) -> FloatArray | None:
        """(n + cells,) what each adds beyond the mean, over the sum; None where they are too few to tell."""
        if denominator is None:
            denominator, of_area = np.zeros(len(numerator)), 1.0
        total, below = numerator.sum(), denominator.sum() + of_area * self._cells.sum()
        if np.count_nonzero(numerator) < FEWEST or not (below > 0 and total > 0):
            return None
        residual = np.concatenate([numerator - total / below * denominator, -total / below * of_area * self._cells])
        return np.asarray(residual / total)

    def uncertainty_of_quantile(self, size: FloatArray, weight: FloatArray, share: float) -> float:
        """Return that of one, as of `uncertainties_of_quantiles`, of (n,) sizes and weights."""
        return self.uncertainties_of_quantiles(size, [(weight, share)])[0]

    def uncertainties_of_quantiles(self, size: FloatArray, asked: Sequence[tuple[FloatArray, float]]) -> list[float]:
        """Relative standard uncertainty of the size below which a share of the weight lies, as `relative_uncertainty`.

        The sizes at whose share the true one may lie, on the logarithm and as wide on either side (R. S. Woodruff,
        JASA 47, 1952; from memory).

        Parameters
        ----------
        size
            (n,) of each carbide.
        asked
            (n,) weights, and share of their sum, 0 to 1.

        Returns
        -------
        list of float
            NaN where the field cannot tell, fewer than FEWEST carbides lie on either side, or an end lies beyond them.
        """
        order = np.argsort(size, kind="stable")
        sizes = size[order]
        heaps = [np.cumsum(weight[order]) for weight, _ in asked]
        parts: list[Total] = []
        for (weight, share), heap in zip(asked, heaps, strict=True):
            counted = int(np.count_nonzero(weight))
            middle = sizes[np.searchsorted(heap, share * heap[-1])] if counted else -math.inf
            below = np.where(size <= middle, weight, 0.0)
            # Of fewer than FEWEST nothing is told.
            parts.append((below if np.count_nonzero(below) <= counted - FEWEST else 0 * below, weight, 0.0))
        found = []
        uncertain = self.relative_uncertainties(parts)
        for (_, share), heap, (below, *_), relative in zip(asked, heaps, parts, uncertain.tolist(), strict=True):
            half = math.nan if math.isnan(relative) else NORMAL_95 * relative * below.sum() / heap[-1]
            if not (share - half > 0 and share + half < 1):
                found.append(math.nan)
                continue
            low, high = sizes[np.searchsorted(heap, np.array([share - half, share + half]) * heap[-1])]
            found.append(float(np.log(high / low) / 2 / NORMAL_95))
        return found

    @cached_property
    def _grid(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        return analysed_cells(self.excluded, CELL_PX)

    @property
    def _cells(self) -> FloatArray:
        """(cells,) pixels analysed of each cell."""
        return self._grid[0]

    @cached_property
    def _places(self) -> tuple[FloatArray, FloatArray]:
        """(n + cells,) x and y of the carbides, then of the cells."""
        return np.append(self.x, self._grid[1]), np.append(self.y, self._grid[2])

    @cached_property
    def _even(self) -> tuple[FloatArray, FloatArray]:
        """(waves, n + cells) products of cosines along both sides; (waves,) squares of cycles per px, rising."""
        rows, columns = self.excluded.shape
        i, j = np.divmod(np.arange(MOST_CYCLES**2), MOST_CYCLES)
        square = (i / columns) ** 2 + (j / rows) ** 2
        fewest = np.argsort(square, kind="stable")[1 : MORE_WAVES + 1]
        x, y = self._places
        cycles = np.pi * np.arange(MOST_CYCLES)[:, None]
        waves, held = self._scaled(np.cos(cycles * x / columns)[i[fewest]] * np.cos(cycles * y / rows)[j[fewest]])
        return waves, square[fewest][held] / 4

    @cached_property
    def _banded(self) -> list[FloatArray]:
        """(waves, n + cells) cosines across rolling, in the share of the area below; for one direction or two."""
        directions = (0.0, 90.0) if self.rolling_deg is None else (self.rolling_deg,)
        x, y = self._places
        cycles = np.pi * np.arange(1, FINER_WAVES + 1)[:, None]
        found = []
        for angle in np.radians(directions):
            across = np.sin(angle) * x + np.cos(angle) * y
            found.append(self._scaled(np.cos(cycles * self._share_below(across)))[0])
        return found

    def _share_below(self, across: FloatArray) -> FloatArray:
        """(n + cells,) share of the analysed area that lies nearer to the one edge."""
        place, which = np.unique(np.round(across[len(self.x) :], 6), return_inverse=True)
        area = np.bincount(which, self._cells)
        middle = (np.cumsum(area) - area / 2) / area.sum()
        ends = [place[0] - CELL_PX / 2], [place[-1] + CELL_PX / 2]
        return np.interp(across, np.concatenate([ends[0], place, ends[1]]), np.concatenate([[0.0], middle, [1.0]]))

    def _scaled(self, waves: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Make waves, in place, of mean 0 and mean square 1 over the analysed area; and which, as cells hold them."""
        share = self._cells / self._cells.sum()
        waves -= (waves[:, len(self.x) :] @ share)[:, None]
        square = waves[:, len(self.x) :] ** 2 @ share
        held = square > LEAST_SQUARE
        if not held.all():
            waves = waves[held]
        waves /= np.sqrt(square[held])[:, None]
        return waves, held


def _widened(even: FloatArray, square: FloatArray, banded: Sequence[FloatArray], few: FloatArray) -> FloatArray:
    """(totals,) relative standard uncertainty from the power (totals, waves); `few` adds to 1 / degrees of freedom."""
    from scipy import special

    if not all(each.shape[1] for each in (even, *banded)):  # one cell high: bands through the field would not show
        return np.full(len(even), math.nan)
    followed = _followed(even, square, few) if even.shape[1] == MORE_WAVES else np.zeros(len(even))
    even = even[:, :EVEN_WAVES]
    waves = even.shape[1]
    level = even.mean(axis=1)
    half = np.fmax(followed, _factors(1 / (1 / waves + few)) * np.sqrt(level))
    for power in banded:
        long, finer = power[:, :BAND_WAVES].mean(axis=1), power[:, -FINEST_WAVES:].mean(axis=1)
        half[long > special.fdtri(BAND_WAVES, FINEST_WAVES, 1 - LONG_CHANCE) * finer] = math.nan
        at = np.flatnonzero(long > special.fdtri(BAND_WAVES, waves, 1 - BANDED_CHANCE / len(banded)) * level)
        cycles = np.arange(1, power.shape[1] + 1, dtype=float)
        strong = _factors(1 / (1 / BAND_WAVES + few[at])) * np.sqrt(long[at])
        strong = np.fmax(strong, _followed(power[at], cycles**2, few[at]))
        half[at] = np.where(np.isnan(half[at]), math.nan, np.fmax(half[at], strong))
    return np.asarray(half / NORMAL_95)


def _factors(degrees_of_freedom: FloatArray) -> FloatArray:
    """(totals,) Student's t of each."""
    return np.array([student_t(one) for one in degrees_of_freedom.tolist()])


def _followed(power: FloatArray, square: FloatArray, few: FloatArray) -> FloatArray:
    """(totals,) half width from the power of waves followed to no cycles at all; 0 where it does not rise to them.

    The logarithm of the power is a line over the squared frequency. Powers scatter as chi-squared of one degree, and
    waves on a plane are even in squared frequency: the variance of the line's end is 8 / waves, of its rise 24 / waves
    (derived; waves across rolling alone lie closer at its end, which is then surer than that).
    """
    found, some = np.zeros(len(power)), np.flatnonzero(power.any(axis=1))
    if not len(some):
        return found
    waves = power.shape[1]
    level, slope = level_and_slope(square, power[some])
    rises = -slope * square[-1] >= RISES * math.sqrt(24 / waves)
    at = some[rises]
    found[at] = _factors(1 / (4 / waves + few[at])) * np.exp(level[rises] / 2)
    return found


def ends_of_field(value: float, relative_uncertainty: float) -> tuple[float, float]:
    """Return the 95 % interval of a positive total: value·exp(±1.96·u), which holds skewed sums better than ±."""
    factor = math.exp(NORMAL_95 * relative_uncertainty)
    return value / factor, value * factor
