"""Contrast of the carbides that changes over the field beyond the light: uneven etch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.segmentation import Segmentation

FloatArray = NDArray[np.float64]
FEWEST = 25
ROUNDS = 5
FAR = 4.0


@dataclass(frozen=True)
class EtchChange:
    """How the contrast of carbides over the matrix changes across the field.

    Parameters
    ----------
    relative_range
        Highest less lowest contrast over the frame (a plane through the carbides), over the mean contrast.
    standard_uncertainty
        Of `relative_range`.
    direction_deg
        Towards the higher contrast, counter-clockwise from the horizontal as seen, 0 to 360.
    """

    relative_range: float
    standard_uncertainty: float
    direction_deg: float


def etch_change(segmentation: Segmentation) -> EtchChange | None:
    """Fit the contrast of the carbides by their place and size; None with fewer than 25 carbides.

    Blur takes contrast from small carbides, so that the size stands beside the place. Carbides far from the fit lose
    their weight.
    """
    if segmentation.count < FEWEST:
        return None
    rows, columns = segmentation.labels.shape
    at = np.flatnonzero(segmentation.labels)
    label = segmentation.labels.ravel()[at] - 1
    size = np.bincount(label, minlength=segmentation.count).astype(float)
    mean = np.bincount(label, segmentation.contrast.ravel()[at], segmentation.count) / np.maximum(size, 1)
    x = np.bincount(label, at % columns, segmentation.count) / np.maximum(size, 1) / columns - 0.5
    y = np.bincount(label, at // columns, segmentation.count) / np.maximum(size, 1) / rows - 0.5
    share = mean / np.array([c.contrast for c in segmentation.classes])[segmentation.class_index]
    usable = (size > 0) & (share > 0)
    if usable.sum() < FEWEST:
        return None
    return _plane(share[usable], x[usable], y[usable], np.log(size[usable]))


def _plane(share: FloatArray, x: FloatArray, y: FloatArray, log_size: FloatArray) -> EtchChange:
    s = log_size - log_size.mean()
    design = np.stack([x, y, np.ones_like(x), s, s**2, s**3], axis=1)
    weight = np.ones_like(share)
    for _ in range(ROUNDS):
        root = np.sqrt(weight)[:, None]
        factors, *_ = np.linalg.lstsq(design * root, share * root[:, 0], rcond=None)
        residual = share - design @ factors
        spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-6)
        weight = np.clip(1 - (residual / (FAR * spread)) ** 2, 0, 1) ** 2
    lean = (design * weight[:, None]) @ np.linalg.pinv((design * weight[:, None]).T @ design)
    covariance = lean.T @ (lean * residual[:, None] ** 2)
    level = float(np.median(design[:, 2:] @ factors[2:]))
    across, down = factors[0] / level, factors[1] / level
    slope = np.array([np.sign(across), np.sign(down)]) / level
    return EtchChange(
        relative_range=float(abs(across) + abs(down)),
        standard_uncertainty=float(np.sqrt(slope @ covariance[:2, :2] @ slope)),
        direction_deg=float(np.degrees(np.arctan2(-down, across)) % 360),
    )
