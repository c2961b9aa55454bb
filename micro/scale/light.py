"""The light of a micrometer picture, from the grey levels between and on its lines."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.scale.detection import FoundLines

DEGREE = 3
LEAST_LIGHT = 0.2  # of the mean: no polynomial is trusted below


def even_light(picture: NDArray[np.float32], found: FoundLines) -> NDArray[np.float32]:
    """Divide the picture by its light, a polynomial through the bright level at every line seen.

    Light that falls off across a line shifts it towards the brighter side; opposite ways at opposite sides of
    the field, which would pass for a change of scale.

    Parameters
    ----------
    picture
        (rows, columns) grey levels.
    found
        Lines with their segments; the bright level is the line's where it is bright, else the matrix beside it.
    """
    segments = found.segments
    bright = segments.background + np.maximum(segments.height, 0)
    x, y, level = segments.x[found.seen], np.broadcast_to(segments.y, bright.shape)[found.seen], bright[found.seen]
    rows, columns = picture.shape
    basis = np.polynomial.polynomial.polyvander2d(2 * x / columns - 1, 2 * y / rows - 1, (DEGREE, DEGREE))
    low = np.add.outer(np.arange(DEGREE + 1), np.arange(DEGREE + 1)) <= DEGREE
    terms = np.zeros((DEGREE + 1, DEGREE + 1))
    terms[low] = _robust_fit(basis[:, low.ravel()], level)
    light = np.polynomial.polynomial.polygrid2d(
        2 * (np.arange(rows) + 0.5) / rows - 1, 2 * (np.arange(columns) + 0.5) / columns - 1, terms.T
    )
    mean = float(np.mean(level))
    if mean <= 0:
        return picture
    return picture / np.clip(light / mean, LEAST_LIGHT, None).astype(np.float32)


def _robust_fit(basis: NDArray, level: NDArray) -> NDArray:
    kept = np.ones(len(level), bool)
    for _ in range(3):
        terms = np.linalg.lstsq(basis[kept], level[kept], rcond=None)[0]
        off = np.abs(level - basis @ terms)
        kept = off <= 4 * 1.4826 * np.median(off) + 1e-9
    return terms
