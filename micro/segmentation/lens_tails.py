"""Light that the pupil of a lens spreads far: how much of it the area by light and the levels of carbides miss.

A lens free of faults shows a point as the pattern that its round pupil diffracts (G. B. Airy 1835), whose light beyond
a radius falls off as slowly as one over that radius. Deep inside a carbide some of its light is lacking, the matrix
between carbides has some of theirs, and so contrast, and with it the level of the carbides, looks lower than it is. The
mean grey at each distance from the outlines tells such a lens from one that blurs as a Gaussian does.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.edge_profile import PIXEL_VARIANCE, middle
from micro.segmentation.segmentation import Segmentation

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
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
FEWEST_PX, FEWEST_RINGS = 50, 8  # px at one distance, and distances, that tell (chosen)
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
    f = rings.frequency[:, None]
    plain = rings.fitted(_gaussian(f, GAUSSIAN))
    through = _pupil(f / CUTOFFS)[:, :, None] * _gaussian(f, BESIDE_PUPIL)[:, None, :]
    fit = rings.fitted(through.reshape(len(f), -1))
    most = fit.freedom * (MOST_MISFIT if fit.misfit < BETTER * plain.misfit else 1.0)
    if fit.misfit > most or plain.misfit - fit.misfit < SURELY:
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
    frequency
        (f,) cycles per px.
    mean, weight
        (k,) at each distance.
    drawn
        (MOVED, k + 1, f) what each frequency adds to the mean of a drawing of the outlines there; the last: to its sum
        over the basins.
    light, basins, covered
        Light and pixels of the basins; (MOVED,) area of the drawing within them.
    """

    frequency: FloatArray
    mean: FloatArray
    weight: FloatArray
    drawn: FloatArray
    light: float
    basins: float
    covered: FloatArray

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
        masks = [*((ring == k).astype(np.float32) for k in told), basins.astype(np.float32)]
        frequency, drawn = _by_frequency(drawings, masks)
        drawn[:, :-1] /= number[told][:, None]
        noise = part.noise / mean_level * np.sqrt(max(part.noise_area_px, 1.0) / number[told])
        covered = np.array([one[basins].sum(dtype=float) for one in drawings])
        light = float(grey[basins].sum(dtype=float))
        weight = 1 / np.hypot(MEAN_ERROR, noise) ** 2
        return cls(frequency, mean, weight, drawn, light, float(np.count_nonzero(basins)), covered)

    def fitted(self, through: FloatArray) -> _Fit:
        """Fit levels of carbide and matrix and the place of the edges under each lens, `through` (f, lenses)."""
        fine = _parabola(FINE_MOVED)
        seen = np.einsum("am,mkl->kal", fine, self.drawn @ through)
        x, y, w = seen[:-1], self.mean[:, None, None], self.weight[:, None, None]
        sw, sx, sy = w.sum(), (w * x).sum(0), (w * y).sum()
        level = (sw * (w * x * y).sum(0) - sx * sy) / (sw * (w * x * x).sum(0) - sx * sx)
        matrix = (sy - level * sx) / sw
        misfit = (w * (y - level * x - matrix) ** 2).sum(0)
        gathered = seen[-1] / (fine @ self.covered)[:, None]
        factor = (1 - matrix * self.basins / self.light) / level / gathered
        weight = np.exp((misfit.min() - misfit) / 2)
        weight /= weight.sum()
        mean = float((weight * factor).sum())
        spread = float(np.sqrt((weight * (factor - mean) ** 2).sum()))
        return _Fit(mean, spread, float(misfit.min()), len(y) - FREE)


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


def _by_frequency(drawings: list[Picture], masks: list[Picture]) -> tuple[FloatArray, FloatArray]:
    """Frequencies (f,), cycles per px, and the share (drawings, masks, f) that each has of the sums over the masks."""
    from scipy.fft import fftfreq, rfft2, rfftfreq

    rows, columns = drawings[0].shape
    across = np.full(columns // 2 + 1, 2.0)
    across[0] = 1.0
    if columns % 2 == 0:
        across[-1] = 1.0
    scale = (across / (rows * columns)).astype(np.float32)
    radius = np.hypot(fftfreq(rows)[:, None], rfftfreq(columns)[None])
    steps = max(rows, columns)
    bin_ = np.rint(radius * steps).astype(np.intp).ravel()
    count = np.bincount(bin_)
    frequency = np.bincount(bin_, radius.ravel()) / np.maximum(count, 1)
    of_drawing = [np.conj(rfft2(one)) * scale for one in drawings]
    found = np.empty((len(drawings), len(masks), len(count)))
    for k, mask in enumerate(masks):
        spectrum = rfft2(mask)
        for j, one in enumerate(of_drawing):
            found[j, k] = np.bincount(bin_, (spectrum.real * one.real - spectrum.imag * one.imag).ravel(), len(count))
    return frequency, found
