"""What one direction does to edges and not the other: a lens with astigmatism, motion, trails beside carbides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
LARGEST_SIDE_PX = 640
STEEP, NARROWEST_PX = 0.25, 0.5
"""Pixels count whose predicted slope is above that share of a straight edge's; blur below which none is drawn."""
FEWEST_PIXELS, MANY_PIXELS = 2000, 40_000
"""Edge pixels that are asked at least; of many more every second or third tells as much (chosen)."""
LEAST_ELONGATION, FEIGNED_PX2 = 0.17, 12.0
"""Elongation that round carbides share by chance, and the variance that 1 more feigns at most (invented fields)."""
MOST = 0.8
"""Of twice the mean variance: an edge has some width in every direction, and what is undone holds to first order."""
BESIDE_PX, DIRECTED_OVER_PX = 3, 3.0
"""How far beyond the basins light is looked for, and the blur of the outlines that tells directions there (chosen)."""
ON_EDGES = 0.75
"""Of light beside edges, what lies on them: half where it ends there, all where it goes on inside (derived)."""
ALIGNED = 16  # numbers of four bytes in a cache line
STRIPS, BY_CHANCE = 16, 2.0
"""Parts that tell the standard error, and how many of it count as chance (chosen)."""
DOUBT = 0.25
"""Standard uncertainty of both, as a share: of drawn discs and ellipses in known blur 0.67 to 1.05 of it are found
(tests/measures/test_directed_edges.py)."""


@dataclass(frozen=True, eq=False)
class DirectedEdges:
    """By how much edges and the light beside them are others in one direction; y up.

    Parameters
    ----------
    variance_px2
        (2,) variance of the edge spread along x less that along y, and twice the covariance.
    light
        (2,) contrast of the matrix beside carbides over theirs, as it goes with the cosine and sine of twice the
        direction that an edge faces.
    feigned_px2
        (2,) variance that was seen too, but that elongated carbides may feign along themselves: it is not undone.
    """

    variance_px2: FloatArray
    light: FloatArray
    feigned_px2: FloatArray = field(default_factory=lambda: np.zeros(2))

    def lent(self, outline_px: FloatArray, spread: float) -> FloatArray:
        """(2, n) half the difference of the second moments along x and y, and the covariance, that outlines owe it.

        Light that lies over carbides too moves an edge by its height over the slope, √(2π)·spread; light that ends at
        the edge moves it by half of that (derived, first order). What lies inside is not asked: the middle is taken.

        Parameters
        ----------
        outline_px
            (n,) pixels inside each outline.
        spread
            Standard deviation of the blur of the picture they were drawn in.
        """
        by_width, by_light = self._taken_up(outline_px, spread)
        return by_width * self.variance_px2[:, None] + by_light * self.light[:, None]

    def doubt(self, outline_px: FloatArray, spread: float) -> FloatArray:
        """(n,) standard uncertainty of what `lent` says; the same for all carbides."""
        by_width, by_light = self._taken_up(outline_px, spread)
        seen = np.hypot(*(self.variance_px2 + self.feigned_px2))
        return DOUBT * np.hypot(by_width * seen, by_light * np.hypot(*self.light))

    @staticmethod
    def _taken_up(outline_px: FloatArray, spread: float) -> tuple[FloatArray, FloatArray]:
        radius = np.sqrt(np.maximum(outline_px, 1) / np.pi)
        share = np.interp(radius / spread, SIZES, _shares())
        return share / 2, ON_EDGES * radius / 2 * np.sqrt(2 * np.pi) * spread


NONE = DirectedEdges(np.zeros(2), np.zeros(2))
SIZES = np.geomspace(0.05, 30.0, 96)  # radius of a disc over its blur


@lru_cache(maxsize=1)
def _shares() -> FloatArray:
    """Share of a directed variance that second moments of outlines take up, of discs of the radii SIZES.

    A disc of radius r blurred by a Gaussian falls at ρ as exp(−(ρ² + r²)/2)·I₁(ρr)·r (in units of the blur). A variance
    that is larger by d along than across adds d/4·(f″ − f′/ρ)·cos 2θ, which moves the outline by
    d/4·(2/ρ + ρ − r·I₀(ρr)/I₁(ρr))·cos 2θ, and half the difference of its second moments by ρ/2 times that (derived,
    first order). Outlines are drawn where blur leaves the edge, so that ρ = r.
    """
    from scipy.special import i0e, i1e

    return np.asarray((2 + SIZES**2 * (1 - i0e(SIZES**2) / i1e(SIZES**2))) / 4, float)


def middle(shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Rows and columns of a field that are asked: edges enough."""
    top, left = (max(0, (side - LARGEST_SIDE_PX) // 2) for side in shape)
    return slice(top, top + LARGEST_SIDE_PX), slice(left, left + LARGEST_SIDE_PX)


def find_directed_edges(
    carbide: NDArray[np.bool_],
    level: NDArray[np.float32],
    contrast: NDArray[np.float32],
    excluded: NDArray[np.bool_],
    blur_px: float,
    elongation: FloatArray,
) -> DirectedEdges:
    """Compare edges that face in different directions.

    Parameters
    ----------
    carbide
        (rows, columns) True inside the outlines.
    level
        (rows, columns) contrast of the carbide whose light a pixel belongs to, and 0 in the matrix.
    contrast
        (rows, columns) grey less the matrix.
    excluded
        (rows, columns) True where not analysed.
    blur_px
        Standard deviation of the edge spread, the mean of all directions.
    elongation
        (2,) elongation that the carbides share, along x less along y, and its skew, y up: 1 for parallel lines.
    """
    if not carbide.any():
        return NONE
    variance = _by_width(carbide, level, contrast, max(blur_px, NARROWEST_PX))
    size, most = float(np.hypot(*variance)), MOST * 2 * blur_px**2
    variance *= min(1.0, most / max(size, 1e-9))
    feigned = _feigned(variance, elongation)
    return DirectedEdges(variance - feigned, _by_light(carbide, level, contrast, excluded), feigned)


def _feigned(variance: FloatArray, elongation: FloatArray) -> FloatArray:
    """(2,) part of the variance that carbides which share so much elongation may feign along themselves."""
    shared = float(np.hypot(*elongation))
    along = elongation / max(shared, 1e-9)
    return along * float(np.clip(variance @ along, 0.0, FEIGNED_PX2 * max(0.0, shared - LEAST_ELONGATION)))


def _by_width(
    carbide: NDArray[np.bool_], level: NDArray[np.float32], contrast: NDArray[np.float32], blur: float
) -> FloatArray:
    """(2,) variance as of `DirectedEdges`; 0 with too few edges.

    The outlines, filled and blurred alike in all directions, predict the picture. What it has beside that is fitted, on
    edges, by the second derivative across each edge times the cosine and sine of twice its direction: half the missing
    variances. All that is even about the edge (where outlines lie, height, curvature) is fitted beside it and left out,
    so that the ends of elongated carbides feign next to nothing.
    """
    filled = level * carbide
    expected, dx, dy, xx, yy, xy = (
        _derivative(filled, blur, *order) for order in ((0, 0), (1, 0), (0, 1), (2, 0), (0, 2), (1, 1))
    )
    # Not OpenCV's magnitude: its last bit depends on where in memory the two lie.
    steep = np.asarray(np.sqrt(dx * dx + dy * dy), np.float32)
    at = np.flatnonzero(steep > STEEP * float(np.abs(filled[carbide]).min()) / (np.sqrt(2 * np.pi) * blur))
    if len(at) < FEWEST_PIXELS:
        return np.zeros(2)
    at = at[:: 1 + len(at) // MANY_PIXELS]
    slope, seen, dx, dy, xx, yy, xy = (one.ravel()[at] for one in (steep, expected, dx, dy, xx, yy, xy))
    x, y = dx / slope, dy / slope
    even, odd = x * x - y * y, -2 * x * y
    across = x * x * xx + 2 * x * y * xy + y * y * yy
    curved = xx + yy - across
    columns = [across * even / 4, across * odd / 4, across, seen]
    columns += [one * turn for one in (slope, curved) for turn in (np.float32(1), even, odd)]
    return _beyond_chance(columns, contrast.ravel()[at] - seen)


def _by_light(
    carbide: NDArray[np.bool_], level: NDArray[np.float32], contrast: NDArray[np.float32], excluded: NDArray[np.bool_]
) -> FloatArray:
    """(2,) light as of `DirectedEdges`; 0 where carbides are brighter and darker than the matrix, or none is bare."""
    own = level != 0
    levels = level[carbide]
    if np.ptp(np.sign(levels)):
        return np.zeros(2)
    reach = np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8)
    at = np.flatnonzero(cv2.dilate(own.view(np.uint8), reach).view(bool) & ~own & ~excluded)
    if len(at) < FEWEST_PIXELS:
        return np.zeros(2)
    at = at[:: 1 + len(at) // MANY_PIXELS]
    filled = carbide.astype(np.float32)
    x, y = (_derivative(filled, DIRECTED_OVER_PX, *order).ravel()[at] for order in ((1, 0), (0, 1)))
    turn = np.arctan2(-y, -x)
    x, y = np.cos(turn), np.sin(turn)
    columns = [x * x - y * y, -2 * x * y, np.ones_like(x), x, y]
    return _beyond_chance(columns, contrast.ravel()[at] / np.float32(cv2.mean(level, carbide.view(np.uint8))[0]))


def _derivative(filled: NDArray[np.float32], blur: float, x: int, y: int) -> NDArray[np.float32]:
    """(rows, columns) derivative of those orders along x and y of a picture blurred by a Gaussian."""
    at = np.arange(-int(4 * blur + 1), int(4 * blur + 1) + 1)
    bell = np.exp(-(at**2) / (2 * blur**2))
    bell /= bell.sum()
    # Turned round, as the filter correlates; the mean of the second is taken off, so that even grey has none.
    kernels = bell, at / blur**2 * bell, (at**2 / blur**2 - np.sum(at**2 * bell) / blur**2) / blur**2 * bell
    return cv2.sepFilter2D(filled, cv2.CV_32F, kernels[x], kernels[y], borderType=cv2.BORDER_REFLECT)


def _beyond_chance(columns: Sequence[NDArray[np.floating]], values: NDArray[np.floating]) -> FloatArray:
    """(2,) first two factors by least squares, less what chance may make of them.

    Their standard error is by leaving out one of 16 strips of the field, as texture is alike over some pixels; a vector
    of so many of them or less counts as none, a longer one loses as much of its square (W. James and C. Stein 1961,
    from memory, for two numbers and more errors).
    """
    design = _at_one_place([*columns, values])
    ends = np.append(np.linspace(0, len(values), STRIPS + 1)[:-1].astype(int) // ALIGNED * ALIGNED, len(values))
    products = np.stack([(one @ one.T).astype(float) for one in (design[:, slice(*pair)] for pair in pairwise(ends))])
    square, right = products[:, :-1, :-1], products[:, :-1, -1]
    scale = np.sqrt(np.maximum(np.diag(square.sum(axis=0)), 1e-30))
    square, right = square / np.outer(scale, scale), right / scale
    squares = np.concatenate([square.sum(axis=0)[None], square.sum(axis=0) - square])
    rights = np.concatenate([right.sum(axis=0)[None], right.sum(axis=0) - right])
    found = (np.linalg.pinv(squares, rcond=1e-6, hermitian=True) @ rights[..., None])[:, :2, 0] / scale[:2]
    factors, by_chance = found[0], (STRIPS - 1) * found[1:].var(axis=0).sum()
    size = float(factors @ factors)
    return np.asarray(factors * max(0.0, 1 - BY_CHANCE**2 * by_chance / max(size, 1e-30)), float)


def _at_one_place(rows: Sequence[NDArray[np.floating]]) -> NDArray[np.float32]:
    """(rows, n) array whose rows begin at whole cache lines: products differ in the last digits by where they begin."""
    wide = -(-len(rows[0]) // ALIGNED) * ALIGNED
    room = np.empty(len(rows) * wide + ALIGNED, np.float32)
    first = -(room.ctypes.data // room.itemsize) % ALIGNED
    design = room[first : first + len(rows) * wide].reshape(len(rows), wide)[:, : len(rows[0])]
    np.stack(rows, out=design)
    return design
