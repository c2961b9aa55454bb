"""Light that the pupil of a lens spreads far: how much of it the area by light and the levels of carbides miss.

A lens free of faults shows a point as the pattern that its round pupil diffracts (G. B. Airy 1835), whose light beyond
a radius falls off as slowly as one over that radius. Deep inside a carbide some of its light is lacking, the matrix
between carbides has some of theirs, and so contrast, and with it the level of the carbides, looks lower than it is. The
mean grey at each distance from the outlines tells such a lens from one that blurs as a Gaussian does.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.edge_profile import PIXEL_VARIANCE, middle
from micro.segmentation.segmentation import Segmentation

FloatArray = NDArray[np.float64]
Floats = TypeVar("Floats", NDArray[np.float64], NDArray[np.float32])
Picture = NDArray[np.float32]
Spectrum = NDArray[np.complex64]
BOUNDS = np.array([-7, -5, -4, -3, -2.5, -2, -1.5, -1, -0.5, 0, 0.5, 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 13, 17, 40.0])
"""Distances from the outlines between which the grey is averaged, px; below 0 inside."""
FRAME_PX = 12  # light from beyond the part is looked at no more there (chosen)
# Cycles per px beyond which the pupil passes nothing: of an aperture of 0.9 at 0.55 µm and 0.1 µm a pixel 0.33.
CUTOFFS = np.array([0.6, 0.5, 0.42, 0.36, 0.31, 0.27, 0.24, 0.21, 0.18])
BESIDE_PUPIL = np.array([0.0, 0.25, 0.45, 0.6, 0.75, 0.9, 1.1])  # px, what blurs besides
GAUSSIAN = np.arange(0.4, 2.41, 0.1)  # px
MOVED = np.array([-0.2, 0.1, 0.4])  # px by which true edges lie inside the outlines
FREE = 5  # level, matrix, place of the edges, and two of the lens
FINE_MOVED = np.arange(-0.3, 0.61, 0.05)
ALL = slice(None)
FEWEST_PX, FEWEST_RINGS = 50, 8  # px at one distance, and distances, that tell (chosen)
SOME_RINGS = slice(0, None, 4), slice(2, None, 4), slice(1, None, 2)
"""Distances that are asked one after the other (chosen: most sound fields need the first alone)."""
MEAN_ERROR = 0.004  # of mean grey, in shares of the contrast, that outlines of whole pixels leave (chosen)
# A pupil is told where it fits better than a Gaussian by so many squares, and no worse than outlines of whole pixels
# leave it, or twice that where it leaves half of the Gaussian's squares (chosen). Of fields of a ninth generator none
# of 32 under a Gaussian lens passes, of 31 under a round pupil whose edges are sound 27 do.
SURELY, BETTER, MOST_MISFIT = 8.0, 0.5, 2.0
# Of what the lens changes, half width: pupils are not filled evenly, and what a condenser leaves dark takes some of the
# tail away (chosen).
OFF = 0.5


@dataclass(frozen=True)
class Tails:
    """What the tails of a lens change: factor on the area by light, and half width of it as a share."""

    factor: float
    half: float


def lens_tails(s: Segmentation) -> Tails | None:
    """Ask the grey about the outlines in the middle of a field; None where it tells no lens with a round pupil."""
    rings = _Rings.of(middle(s))
    if rings is None:
        return None
    # One Gaussian fits no better than all of them, and a lens on some of the rings no worse than on all: as soon as
    # that leaves no pupil a chance, in most fields, no more waves are looked at.
    first = float(GAUSSIAN[np.abs(GAUSSIAN - (s.blur_px or 1.0)).argmin()])
    highest = min(rings.misfit_of(first) - SURELY, MOST_MISFIT * (len(rings.told) - FREE))
    if highest < 0:
        return None
    radius = _of_waves(rings.ring.shape).frequency[:, None]
    through = _pupil(radius / CUTOFFS)[:, :, None] * _gaussian(radius, BESIDE_PUPIL)[:, None, :]
    through = through.reshape(len(radius), -1)
    drawn, asked = np.empty((len(MOVED), len(rings.told), len(radius))), np.zeros(len(rings.told), bool)
    for some in SOME_RINGS:
        drawn[:, some], asked[some] = rings.by_frequency(some), True
        if rings.fitted(drawn[:, asked], through, asked)[0].min() > highest:
            return None
    plain = rings.fitted(drawn, _gaussian(radius, GAUSSIAN))[0].min()
    fit = rings.fit(drawn, through)
    most = fit.freedom * (MOST_MISFIT if fit.misfit < BETTER * plain else 1.0)
    if fit.misfit > most or plain - fit.misfit < SURELY:
        return None
    return Tails(fit.factor, float(np.hypot(OFF * (fit.factor - 1), 2 * fit.spread)))


@dataclass(frozen=True)
class _Fit:
    """Factor on the area by light and its scatter over the lenses, least misfit, and degrees of freedom."""

    factor: float
    spread: float
    misfit: float
    freedom: int


def _pupil(x: FloatArray) -> FloatArray:
    """Share of a wave that a round pupil passes in light of all directions, at frequencies over its cutoff."""
    x = np.minimum(x, 1.0)
    return np.asarray(2 / np.pi * (np.arccos(x) - x * np.sqrt(1 - x * x)))


def _gaussian(frequency: FloatArray, blur: FloatArray) -> FloatArray:
    """Share of a wave that a Gaussian of standard deviation `blur`, px, and the pixel itself pass."""
    return np.asarray(np.exp(-2 * (np.pi * frequency) ** 2 * (blur**2 + PIXEL_VARIANCE)))


@dataclass(frozen=True, eq=False)
class _Rings:
    """Mean grey over the carbides' level at distances from the outlines.

    Parameters
    ----------
    ring
        (rows, columns) number of the distance that each pixel lies at, 0 where it is not used.
    told, number
        (k,) distances that tell, and their pixels.
    mean, weight
        (k,) at each of them.
    drawings
        MOVED of the outlines, in levels of their class over the mean one.
    basins, light
        (rows, columns) pixels of the basins that are used, and their light.
    """

    ring: NDArray[np.intp]
    told: NDArray[np.intp]
    number: NDArray[np.intp]
    mean: FloatArray
    weight: FloatArray
    drawings: list[Picture]
    basins: NDArray[np.bool_]
    light: float

    @classmethod
    def of(cls, part: Segmentation) -> _Rings | None:
        """Average a field about its outlines; None where its carbides lie on both sides of the matrix, or are few."""
        if not part.count:
            return None
        sign, mean_level = np.sign(part.class_contrast.sum()), float(np.abs(part.class_contrast).mean())
        if not (part.class_contrast * sign > 0).all():
            return None
        inside, use = part.labels > 0, _within(~part.excluded)
        distance = np.where(inside, -_away(inside), _away(~inside))
        ring = np.where(use, np.digitize(distance, BOUNDS), 0) % len(BOUNDS)
        number = np.bincount(ring.ravel(), minlength=len(BOUNDS))
        told = np.flatnonzero(number[1:] >= FEWEST_PX) + 1
        if len(told) < FEWEST_RINGS:
            return None
        grey = part.contrast * np.float32(sign / mean_level)
        mean = np.bincount(ring.ravel(), grey.ravel(), len(BOUNDS))[told] / number[told]
        basins = use & (part.basins > 0)
        own = np.append(0.0, np.abs(part.class_contrast) / mean_level).astype(np.float32)[part.basins]
        drawings = [np.clip(np.float32(0.5 - by) - distance, 0, 1) * own for by in MOVED]
        noise = part.noise / mean_level * np.sqrt(max(part.noise_area_px, 1.0) / number[told])
        weight = 1 / np.hypot(MEAN_ERROR, noise) ** 2
        return cls(ring, told, number[told], mean, weight, drawings, basins, float(grey[basins].sum(dtype=float)))

    def misfit_of(self, blur: float) -> float:
        """Misfit under a Gaussian of that standard deviation, px."""
        spread = float(np.sqrt(blur**2 + PIXEL_VARIANCE))
        blurred = (cv2.GaussianBlur(one, (0, 0), spread) for one in self.drawings)
        seen = [np.bincount(self.ring.ravel(), one.ravel(), len(BOUNDS))[self.told] / self.number for one in blurred]
        return float(self.fitted(np.array(seen)[:, :, None], np.ones((1, 1)))[0].min())

    def by_frequency(self, some: slice) -> FloatArray:
        """Return what each frequency adds to the mean of a drawing at `some` of the distances told (MOVED, some, f)."""
        masks = ((self.ring == k).astype(np.float32) for k in self.told[some])
        return _by_frequency(self.spectra, masks) / self.number[some][:, None]

    @cached_property
    def spectra(self) -> list[Spectrum]:
        """Of the drawings, as of `_spectra`."""
        return _spectra(self.drawings)

    def fitted(
        self, drawn: FloatArray, through: FloatArray, some: NDArray[np.bool_] | slice = ALL
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """(places, lenses) misfit, and levels of carbide and matrix, that fit the means of `some` distances best."""
        x = np.einsum("am,mkl->kal", _parabola(FINE_MOVED), drawn @ through)
        y, w = self.mean[some, None, None], self.weight[some, None, None]
        sw, sx, sy = w.sum(), (w * x).sum(0), (w * y).sum()
        level = (sw * (w * x * y).sum(0) - sx * sy) / (sw * (w * x * x).sum(0) - sx * sx)
        matrix = (sy - level * sx) / sw
        return (w * (y - level * x - matrix) ** 2).sum(0), level, matrix

    def fit(self, drawn: FloatArray, through: FloatArray) -> _Fit:
        """Fit levels of carbide and matrix and the place of the edges under each lens, `through` (f, lenses)."""
        fine = _parabola(FINE_MOVED)
        misfit, level, matrix = self.fitted(drawn, through)
        whole = _by_frequency(self.spectra, [self.basins.astype(np.float32)])[:, 0]
        covered = np.array([one[self.basins].sum(dtype=float) for one in self.drawings])
        gathered = fine @ (whole @ through) / (fine @ covered)[:, None]
        factor = (1 - matrix * np.count_nonzero(self.basins) / self.light) / level / gathered
        weight = np.exp((misfit.min() - misfit) / 2)
        weight /= weight.sum()
        mean = float((weight * factor).sum())
        spread = float(np.sqrt((weight * (factor - mean) ** 2).sum()))
        return _Fit(mean, spread, float(misfit.min()), len(self.mean) - FREE)


def _parabola(at: FloatArray) -> FloatArray:
    """(at, MOVED) weights of a parabola through what is known at MOVED."""
    return np.asarray(np.linalg.solve(np.vander(MOVED, 3).T, np.vander(at, 3).T).T, np.float64)


def _within(use: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave a frame out of what is used, in place."""
    use[:FRAME_PX] = use[-FRAME_PX:] = False
    use[:, :FRAME_PX] = use[:, -FRAME_PX:] = False
    return use


def _away(where: NDArray[np.bool_]) -> Picture:
    return cv2.distanceTransform(where.view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE) - np.float32(0.5)


@dataclass(frozen=True, eq=False)
class _Waves:
    """Frequencies (f,), cycles per px, of rings of a spectrum; ring of half of its waves, and share of each wave."""

    frequency: FloatArray
    ring: NDArray[np.intp]
    share: Picture


@lru_cache(maxsize=1)
def _of_waves(shape: tuple[int, int]) -> _Waves:
    from scipy.fft import fftfreq, rfftfreq

    rows, columns = shape
    across = np.full(columns // 2 + 1, 2.0)
    across[0] = 1.0
    if columns % 2 == 0:
        across[-1] = 1.0
    radius = np.hypot(fftfreq(rows)[: rows // 2 + 1, None], rfftfreq(columns)[None])
    ring = np.rint(radius * max(rows, columns)).astype(np.intp).ravel()
    waves = np.broadcast_to(_folded(np.ones((rows, 1))), radius.shape).ravel()
    frequency = np.bincount(ring, waves * radius.ravel()) / np.maximum(np.bincount(ring, waves), 1)
    return _Waves(frequency, ring, (across / (rows * columns)).astype(np.float32))


def _folded(waves: Floats) -> Floats:
    """(rows // 2 + 1, columns) sums of waves (rows, columns) that go down and up the picture as fast; in place."""
    half = (len(waves) + 1) // 2
    waves[1:half] += waves[: len(waves) // 2 : -1]
    return waves[: len(waves) // 2 + 1]


def _spectra(drawings: list[Picture]) -> list[Spectrum]:
    """Waves of each drawing turned over, times their share in the sum over a picture."""
    from scipy.fft import rfft2

    return [np.asarray(np.conj(rfft2(one)) * _of_waves(one.shape).share, np.complex64) for one in drawings]


def _by_frequency(drawings: list[Spectrum], masks: Iterable[Picture]) -> FloatArray:
    """Return the share (drawings, masks, f) that waves of each frequency have of the drawings' sums over the masks.

    `drawings`: as of `_spectra`.
    """
    from scipy.fft import rfft2

    found = []
    for mask in masks:
        waves, spectrum = _of_waves(mask.shape), rfft2(mask)
        parts = (_folded(spectrum.real * one.real - spectrum.imag * one.imag) for one in drawings)
        found.append([np.bincount(waves.ring, part.ravel(), len(waves.frequency)) for part in parts])
    return np.array(found).swapaxes(0, 1)
