"""Grey levels of a picture in colour: luminance, a channel, or the axis of colour that parts two levels most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
COLOURS = ("luminance", "red", "green", "blue", "best")
LUMINANCE = (0.299, 0.587, 0.114)  # ITU-R BT.601
MOST_PIXELS = 2**17  # looked at for the best axis: its weights then move by less than a hundredth (chosen)
ROUNDS = 8  # groups and axis settle in three or four (chosen)
FEWEST_SHARE = 0.005  # of the pixels in either group: fewer are specks (chosen)
STEPS = 256


@dataclass(frozen=True)
class Axis:
    """Weights of red, green and blue, of sizes that sum to 1, and how far they part two levels.

    `apart` is the distance of the two levels over the scatter within them, root mean square of both; 0 where nothing
    parts.
    """

    weights: tuple[float, float, float]
    apart: float = 0.0


def best_axis(values: NDArray) -> Axis:
    """Axis of colour that parts two levels most.

    From luminance and from each channel: two groups by the threshold of least variance (N. Otsu 1979), then the axis
    along which the distance of their means over the scatter within them is largest (R. A. Fisher 1936), and again;
    the best of all. Its weights are rounded to hundredths, so that what the report prints is what was used; bright
    along it is bright by luminance.

    Parameters
    ----------
    values
        (rows, columns, 3) red, green, blue.
    """
    step = max(1, int(np.sqrt(values.shape[0] * values.shape[1] / MOST_PIXELS)))
    pixels = values[::step, ::step].reshape(-1, 3).astype(float)
    found = max((_settled(pixels, start) for start in (LUMINANCE, *np.eye(3))), key=lambda axis: axis.apart)
    weights = np.round(_upward(np.array(found.weights)), 2)
    left = 1 - np.abs(weights).sum()
    largest = int(np.abs(weights).argmax())
    weights[largest] += np.sign(weights[largest]) * left
    red, green, blue = (float(round(w, 2)) for w in weights)
    return Axis((red, green, blue), parted(pixels, weights))


def parted(pixels: FloatArray, weights: FloatArray) -> float:
    """Distance of the two levels along an axis over the scatter within them; 0 where there are not two.

    Parameters
    ----------
    pixels
        (n, 3) red, green, blue.
    weights
        (3,) of the axis.
    """
    groups = _groups(pixels @ weights)
    return 0.0 if groups is None else _apart(pixels @ weights, groups)


def along(values: NDArray, weights: tuple[float, float, float], full_scale: float) -> NDArray[np.float32]:
    """(rows, columns) grey levels along an axis, from 0 to full scale: a channel of negative weight counts from there.

    Parameters
    ----------
    values
        (rows, columns, 3) red, green, blue, 0 to `full_scale`.
    weights
        Of sizes that sum to 1.
    """
    grey = np.zeros(values.shape[:2], np.float32)
    for channel, weight in enumerate(weights):
        if weight:
            level = values[..., channel].astype(np.float32)
            grey += np.float32(abs(weight)) * (level if weight > 0 else np.float32(full_scale) - level)
    return np.clip(grey, 0, np.float32(full_scale))


def _settled(pixels: FloatArray, start: tuple[float, ...] | FloatArray) -> Axis:
    """Best axis that is reached from one, groups and axis in turn."""
    weights = np.asarray(start, float)
    best = Axis((float(weights[0]), float(weights[1]), float(weights[2])), parted(pixels, weights))
    for _ in range(ROUNDS):
        groups = _groups(pixels @ weights)
        if groups is None:
            break
        weights = _fisher(pixels, groups)
        apart = parted(pixels, weights)
        if apart <= best.apart * (1 + 1e-6):
            break
        best = Axis((float(weights[0]), float(weights[1]), float(weights[2])), apart)
    return best


def _fisher(pixels: FloatArray, groups: NDArray[np.bool_]) -> FloatArray:
    """(3,) axis along which two groups lie farthest apart over their scatter, sizes summing to 1."""
    one, other = pixels[groups], pixels[~groups]
    within = np.cov(one.T) + np.cov(other.T)
    # Channels that hold one and the same level scatter by nothing: half a step of the levels keeps this solvable.
    within += np.eye(3) * max(float(np.trace(within)) * 1e-6, 1e-12)
    weights = np.linalg.solve(within, one.mean(axis=0) - other.mean(axis=0))
    return np.asarray(weights / max(np.abs(weights).sum(), 1e-300))


def _groups(grey: FloatArray) -> NDArray[np.bool_] | None:
    """(n,) True above the threshold of least variance; None where either side holds too little."""
    low, high = float(grey.min()), float(grey.max())
    if not high > low:
        return None
    count, edges = np.histogram(grey, STEPS, (low, high))
    middle = (edges[:-1] + edges[1:]) / 2
    below, light = np.cumsum(count), np.cumsum(count * middle)
    above = below[-1] - below
    share = FEWEST_SHARE * below[-1]
    usable = (below >= share) & (above >= share)
    if not usable.any():
        return None
    mean_below = light / np.maximum(below, 1)
    mean_above = (light[-1] - light) / np.maximum(above, 1)
    between = np.where(usable, below * above * (mean_above - mean_below) ** 2.0, -1.0)
    return np.asarray(grey > edges[int(between.argmax()) + 1])


def _apart(grey: FloatArray, groups: NDArray[np.bool_]) -> float:
    one, other = grey[groups], grey[~groups]
    if not (len(one) and len(other)):
        return 0.0
    scatter = float(np.sqrt((one.var() + other.var()) / 2))
    return float(abs(one.mean() - other.mean()) / max(scatter, 1e-9))


def _upward(weights: FloatArray) -> FloatArray:
    """Axis turned so that it rises with luminance."""
    rise = float(weights @ np.array(LUMINANCE))
    return -weights if rise < 0 else weights
