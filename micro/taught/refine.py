"""Further points where they pay: drawn with known, unequal probability, and counted with their weights.

A point where the map is sure teaches little: the best density of points goes with the standard deviation of the
answer there, √(p(1 − p)) (J. Neyman, Journal of the Royal Statistical Society 97, 1934, for strata; from memory). A
share of the points stays spread evenly, so that no weight exceeds 1/EVEN_SHARE however sure a wrong map may be
(T. Hesterberg, Technometrics 37, 1995, defensive mixture; from memory). A point is weighted by one over the density
there (D. G. Horvitz and D. J. Thompson, JASA 47, 1952; from memory). Each draw speaks for its field by itself, so that
the density of a later one may rest on all answers before it, and both are joined by what a point of each tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.statistics.sampling import FloatArray, student_t
from micro.taught.corrected import CountedField, corrected_fraction, point_values

Plane = NDArray[np.float32]

# Share of the further points that is spread evenly (chosen).
EVEN_SHARE = 0.3
# Seconds to answer a point (a count of ten minutes answers about 375; common practice, no source).
SECONDS_PER_POINT = 1.6


@dataclass(frozen=True)
class Prediction:
    """What further points would do to the half width of the 95 % interval.

    `fields_now`, `fields_then` are those of the mean of the counted fields; `specimen_now`, `specimen_then` those of
    the specimen, where the scatter between fields stays however many points are counted.
    """

    points: int
    minutes: float
    fields_now: float
    fields_then: float
    specimen_now: float
    specimen_then: float


def density(carbide: Plane, analysed: NDArray[np.bool_] | None = None) -> Plane:
    """(rows, columns) how many times as many further points as with an even spread; its mean over the area is 1.

    Parameters
    ----------
    carbide
        (rows, columns) probability of carbide of any class, by a map that has not seen this field's answers.
    analysed
        (rows, columns) pixels where points may lie; None for all.

    Examples
    --------
    >>> import numpy as np
    >>> unsure = np.full((4, 4), 0.5, np.float32); unsure[:, 2:] = 0.0
    >>> np.round(density(unsure)[0].astype(float), 2).tolist()
    [1.7, 1.7, 0.3, 0.3]

    """
    spread = np.sqrt(np.clip(carbide * (1 - carbide), 0, None))
    area = np.ones(carbide.shape, bool) if analysed is None else analysed
    mean = float(spread[area].mean(dtype=float))
    relative = spread / mean if mean > 0 else np.ones_like(spread)
    return np.where(area, EVEN_SHARE + (1 - EVEN_SHARE) * relative, 0).astype(np.float32)


def draw_points(density_map: Plane, number: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Draw `number` points, x and y in px, independently with the given density, anywhere in their pixels."""
    heap = np.cumsum(density_map.ravel(), dtype=float)
    # A draw falls into the first pixel whose sum exceeds it: pixels of density 0 are never hit.
    pixel = np.searchsorted(heap, rng.uniform(0, heap[-1], number), side="right")
    row, column = np.divmod(np.minimum(pixel, len(heap) - 1), density_map.shape[1])
    return column + rng.uniform(0, 1, number), row + rng.uniform(0, 1, number)


def predict(fields: Sequence[CountedField], density_at_points: Sequence[FloatArray], further: int) -> Prediction:
    """Half widths now, and after `further` points spread alike over the fields.

    A point of the further draw has the variance of the mean over all pixels of (squared difference)/density, which the
    points counted so far estimate; that of both draws is one over the sum of what each tells (derived).

    Parameters
    ----------
    density_at_points
        (points,) of each field: `density` at its points.
    further
        Points to be counted, over all fields.
    """
    now = corrected_fraction(fields)
    each = further / len(fields)
    ratio = [
        _variance_ratio(field, c, dense, each)
        for field, c, dense in zip(fields, now.coefficients, density_at_points, strict=True)
    ]
    variance = np.array([one.standard_error**2 for one in now.fields])
    left = float((variance * ratio).sum() / variance.sum()) if variance.sum() > 0 else 1.0
    number = len(fields)
    of_fields = (now.of_the_fields.standard_error**2 - now.counters) * left + now.counters
    of_specimen = (now.between + now.within * left) / number + now.counters
    t_fields = student_t(now.of_the_fields.degrees_of_freedom + further)
    return Prediction(
        points=further,
        minutes=further * SECONDS_PER_POINT / 60,
        fields_now=now.of_the_fields.half_width,
        fields_then=t_fields * math.sqrt(of_fields),
        specimen_now=now.of_the_specimen.half_width,
        specimen_then=student_t(number - 1) * math.sqrt(of_specimen) if number > 1 else math.nan,
    )


def _variance_ratio(field: CountedField, coefficient: float, dense: FloatArray, further: float) -> float:
    """Variance of a field's estimate after further points over that of now."""
    now = field.used
    weight = field.weight[now]
    number = float(weight.sum() ** 2 / (weight**2).sum())
    value = point_values(field, coefficient)[now]
    squares = weight * (value - np.average(value, weights=weight)) ** 2
    of_a_further = float((squares / dense[now]).sum() / squares.sum()) if squares.sum() > 0 else 1.0
    return number / (number + further / of_a_further)


def half_widths(now: float, then: float) -> str:
    """Plain words of a prediction in percentage points.

    >>> half_widths(0.011, 0.0071)
    '± 1.1 to about ± 0.7'
    """
    return f"± {100 * now:.1f} to about ± {100 * then:.1f}"
