"""Random geometry with known laws: sections of spheres, the Boolean model, outlines drawn by hand."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.phantom.coverage import SUBSAMPLES, Coverage
from micro.phantom.shapes import FloatArray, Shapes, shapes


def sphere_sections(n: int, mean_diameter: float, spread: float, rng: np.random.Generator) -> FloatArray:
    """(n,) diameters of the circles that a random plane cuts from spheres of lognormal diameter.

    A plane meets a sphere in proportion to its diameter, and anywhere along it with equal chance.

    Parameters
    ----------
    mean_diameter, spread
        Arithmetic mean, and standard deviation of the logarithm, of the spheres' diameters in space.
    """
    mu = np.log(mean_diameter) - spread**2 / 2
    cut = rng.lognormal(mu + spread**2, spread, n)
    off_centre = rng.uniform(-1, 1, n)
    return cut * np.sqrt(1 - off_centre**2)


def boolean_model(
    per_px2: float, mean_ecd: float, spread: float, shape: tuple[int, int], rng: np.random.Generator
) -> Shapes:
    """Discs of lognormal diameter about the points of a Poisson process; they overlap freely.

    The expected area fraction is 1 - exp(-per_px2·mean area) (Matheron).
    """
    sigma = spread
    largest = mean_ecd * np.exp(5 * sigma)
    margin = largest / 2
    n = rng.poisson(per_px2 * (shape[0] + 2 * margin) * (shape[1] + 2 * margin))
    discs = shapes(rng.lognormal(np.log(mean_ecd) - sigma**2 / 2, sigma, n), rng)
    x: FloatArray = rng.uniform(-margin, shape[1] + margin, n)
    return discs.moved(x, rng.uniform(-margin, shape[0] + margin, n))


def cover_mask(mask: NDArray[np.bool_], magnification: float = 1.0) -> Coverage:
    """Coverage of outlines drawn by hand, whose staircase edges are smoothed to sub-pixel curves of the same area.

    Parameters
    ----------
    mask
        (rows, columns) True on carbide.
    magnification
        Pixels of the picture per pixel of the mask.
    """
    from scipy import ndimage

    rows, columns = (round(side * magnification) for side in mask.shape)
    fine = (rows * SUBSAMPLES, columns * SUBSAMPLES)
    soft = ndimage.gaussian_filter(mask.astype(np.float32), 1.0)
    zoom = (fine[0] / mask.shape[0], fine[1] / mask.shape[1])
    soft = ndimage.zoom(soft, zoom, order=1, mode="nearest", grid_mode=True)
    level = np.quantile(soft, 1 - mask.mean()) if mask.any() else np.inf
    carbide = soft > level
    labels, count = ndimage.label(carbide, np.ones((3, 3)))
    share = carbide.reshape(rows, SUBSAMPLES, columns, SUBSAMPLES).mean(axis=(1, 3), dtype=np.float32)
    area = np.bincount(labels.ravel(), minlength=count + 1)[1:] / SUBSAMPLES**2
    border = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    whole = ~np.isin(np.arange(1, count + 1), border)
    centre = SUBSAMPLES // 2
    return Coverage(share[None], labels[centre::SUBSAMPLES, centre::SUBSAMPLES].astype(np.int32), area, whole)
