"""Size distribution of a specimen, by number or by area, with fields as the unit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from micro.statistics.sampling import UNKNOWN, Estimate, FloatArray, student_t, uncertainty_of_ratio
from micro.statistics.skewed import straightened_back

STEPS = 2048
MOST_CELLS = 1_000_000
"""Of the table of fields and sizes that is in memory at once, 8 MB; chosen: up to 488 fields it is in one part."""


def rising_sizes(size: FloatArray) -> FloatArray:
    """(m,) every size, or `STEPS` of them with as many carbides between any two: tables then grow with the fields."""
    steps = np.sort(size)
    if len(steps) > STEPS:
        steps = steps[np.linspace(0, len(steps) - 1, STEPS).astype(np.intp)]
    return steps


def cumulative_by_field(
    size: FloatArray, weight: FloatArray, field: np.ndarray, fields: int, most_cells: int = MOST_CELLS
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Rising sizes (m,) and, for each field, the weight up to and including each of them (fields, m), part by part.

    Parameters
    ----------
    size, weight
        (carbides,) size, and weight in the distribution.
    field
        (carbides,) intp, the field each carbide lies in, from 0.
    most_cells
        Of a part of the table; one part where the whole has no more.
    """
    steps = rising_sizes(size)
    place, width = np.searchsorted(steps, size).astype(np.uint16), max(1, most_cells // fields)
    order = np.argsort(place, kind="stable")
    starts = np.searchsorted(place, np.arange(0, len(steps) + width, width), sorter=order)
    up_to = np.zeros(fields)
    for number, first in enumerate(range(0, len(steps), width)):
        here, columns = order[starts[number] : starts[number + 1]], min(width, len(steps) - first)
        cell = field[here] * columns + place[here] - first
        table = np.bincount(cell, weight[here], fields * columns).astype(float).reshape(fields, columns)
        table[:, 0] += up_to
        table = np.cumsum(table, axis=1)
        up_to = table[:, -1]
        yield steps[first : first + columns], table


class Curve(NamedTuple):
    """Share of the weight up to each of rising sizes, its standard uncertainty (NaN for one field) and skewness.

    `fields` are those with carbides.
    """

    sizes: FloatArray
    ratio: FloatArray
    unsure: FloatArray
    skewness: FloatArray | float
    fields: int


def quantile(curve: Curve | None, share: float) -> Estimate:
    """Size below which `share` of the weight lies, with an interval that is the set of sizes not refused.

    The share below a size is a ratio of field sums, with a standard uncertainty between fields; a size is
    refused where that share differs from `share` by more than Student's t allows (R. S. Woodruff, 1952; from
    memory), its skewness included (`micro.statistics.skewed`). Unlike percentiles of resampled fields it holds with few
    fields.

    Parameters
    ----------
    curve
        From `shares_below`.
    share
        0 to 1.
    """
    if curve is None:
        return UNKNOWN
    sizes, ratio, unsure, skewness, n = curve
    value = _at(ratio, sizes, share)
    if n == 1:
        return Estimate(value, math.nan, math.nan, math.nan, math.nan, 1)
    t = student_t(n - 1)
    up_to, from_on = (ratio - unsure * straightened_back(side * t, skewness) for side in (-1, 1))
    low = _at(np.maximum.accumulate(up_to), sizes, share)
    refused = np.minimum.accumulate(from_on[::-1])[::-1]
    # An end that rests on the largest carbide alone is none: the share below a larger one has not been seen.
    high = _at(refused, sizes, share) if len(sizes) > 1 and refused[-2] >= share else math.nan
    down, up = max(value - low, 0.0) / t, (high - value) / t if high > value else 0.0 * high
    return Estimate(value, (down + up) / 2 * math.sqrt(n), down, up, n - 1.0, n)


def shares_below(size: FloatArray, weight: FloatArray, field: np.ndarray, fields: int) -> Curve | None:
    """Shares of the weight up to rising sizes; None without carbides.

    Parameters as in `cumulative_by_field`; carbides of weight 0 do not enter.
    """
    counts = weight > 0
    if not counts.any():
        return None
    if not counts.all():
        size, weight, field = size[counts], weight[counts], field[counts]
    whole = np.bincount(field, weight, fields).astype(float)
    seen = whole > 0
    whole = whole[seen]
    told = []
    for sizes, table in cumulative_by_field(size, weight, field, fields):
        below = table[seen]
        unsure = uncertainty_of_ratio(below, whole) if len(whole) > 1 else np.full(len(sizes), math.nan)
        told.append((sizes, below.sum(axis=0) / whole.sum(), unsure))
    rising, ratio, unsure = (np.concatenate(columns) for columns in zip(*told, strict=True))
    # By number every carbide weighs the same, and Student's t alone covers as it says.
    skewness = _skewness(rising, ratio, size, weight) if len(whole) > 1 and np.ptp(weight) > 0 else 0.0
    return Curve(rising, ratio, unsure, skewness, len(whole))


def _skewness(sizes: FloatArray, ratio: FloatArray, size: FloatArray, weight: FloatArray) -> FloatArray:
    """(m,) skewness of the share below each of `sizes`, were the carbides independent.

    A carbide pulls the share p by w·(1 - p) where it lies below, by -w·p where it lies above.
    """
    place = np.searchsorted(sizes, size)
    second, third = (np.cumsum(np.bincount(place, weight**power, len(sizes))) for power in (2, 3))
    variance = second * (1 - ratio) ** 2 + (second[-1] - second) * ratio**2
    cube = third * (1 - ratio) ** 3 - (third[-1] - third) * ratio**3
    return np.divide(cube, variance**1.5, out=np.zeros_like(cube), where=variance > 0)


def _at(ratio: FloatArray, sizes: FloatArray, share: float) -> float:
    """Size at which a rising curve first reaches `share`; the largest size where it never does."""
    after = int(np.searchsorted(ratio, share))
    if after >= len(sizes):
        return float(sizes[-1])
    if len(sizes) < STEPS or after == 0:
        return float(sizes[after])
    before = after - 1
    part = (share - ratio[before]) / (ratio[after] - ratio[before])
    return float(sizes[before] + part * (sizes[after] - sizes[before]))
