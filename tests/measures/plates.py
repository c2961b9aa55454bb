"""Plates of 5 × 5 fields with carbides as points that have an area: even, hard-core, in clusters, in bands."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from micro.measures.banding import SIGNIFICANCE
from micro.measures.neighbours import place_without_overlap
from micro.phantom.scenes import uneven_bands

FIELD = (768, 1024)
THIRD = FIELD[0] / 3
ACROSS = 5
ROWS, COLUMNS = ACROSS * FIELD[0], ACROSS * FIELD[1]
DENSEST = 4.0
IN_A_CLUSTER = 8

# Kind, carbides a field, length px (radius of clusters, spacing of bands), rolling direction.
STRUCTURES = {
    "even": ("even", 1000, 0.0, 0.0),
    "even, few": ("even", 25, 0.0, 0.0),
    "hard-core": ("hard-core", 1000, 0.0, 0.0),
    "small clusters": ("clusters", 1000, 20.0, 0.0),
    "large clusters": ("clusters", 1000, 60.0, 0.0),
    "wide clusters": ("clusters", 1000, 90.0, 0.0),
    "bands, 30 %": ("bands", 1000, 0.3 * THIRD, 0.0),
    "bands, 60 %": ("bands", 1000, 0.6 * THIRD, 0.0),
    "bands, 60 %, at 30°": ("bands", 1000, 0.6 * THIRD, 30.0),
    "bands, 100 %": ("bands", 1000, THIRD, 0.0),
    "irregular bands, 30 %": ("irregular bands", 1000, 0.3 * THIRD, 0.0),
    "irregular bands, 60 %": ("irregular bands", 1000, 0.6 * THIRD, 0.0),
    "irregular bands, 100 %": ("irregular bands", 1000, THIRD, 0.0),
}


def irregular(across, spacing, rng):
    """Relative density of bands at the points of a Poisson process, as wide as half their mean distance."""
    low, high, width = across.min() - 3 * spacing, across.max() + 3 * spacing, spacing / 4
    middles = rng.uniform(low, high, rng.poisson((high - low) / spacing))
    grid = np.linspace(low, high, 4000)
    profile = np.exp(-(((grid[:, None] - middles) / width) ** 2) / 2).sum(axis=1)
    return np.interp(across, grid, profile * spacing / (np.sqrt(2 * np.pi) * width))


def plate(name, rng):
    """Draw x, y and area of the carbides of one plate, px."""
    kind, a_field, length, rolling = STRUCTURES[name]
    n = rng.poisson(a_field * ACROSS**2)
    x, y = rng.uniform(0, COLUMNS, n), rng.uniform(0, ROWS, n)
    if kind == "clusters":
        members = rng.poisson(IN_A_CLUSTER, rng.poisson(n / IN_A_CLUSTER))
        middle = np.repeat(rng.uniform(0, 1, (len(members), 2)) * (COLUMNS, ROWS), members, axis=0)
        x, y = np.mod(middle + rng.normal(0, length, middle.shape), (COLUMNS, ROWS)).T
    if "bands" in kind:
        x, y = rng.uniform(0, COLUMNS, round(DENSEST * n)), rng.uniform(0, ROWS, round(DENSEST * n))
        turn = np.radians(rolling)
        across = np.sin(turn) * x + np.cos(turn) * y
        density = uneven_bands(1.0, length, rolling, rng)(x, y) if kind == "bands" else irregular(across, length, rng)
        kept = rng.uniform(0, DENSEST, len(x)) < density
        x, y = x[kept], y[kept]
    area = np.pi / 4 * rng.lognormal(np.log(10), 0.4, len(x)) ** 2
    if kind == "hard-core":
        area *= 0.15 * COLUMNS * ROWS / area.sum()
        x, y = place_without_overlap(np.sqrt(area / np.pi), (COLUMNS, ROWS), rng).T
    return x, y, area


def fields(x, y, area) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Cut a plate into its fields: x and y from the corner of each."""
    row, column = (y // FIELD[0]).astype(int), (x // FIELD[1]).astype(int)
    for r in range(ACROSS):
        for c in range(ACROSS):
            own = (row == r) & (column == c)
            yield x[own] - c * FIELD[1], y[own] - r * FIELD[0], area[own]


def verdict(found):
    """'banded', 'not banded', or '' where it cannot be told."""
    if not np.isfinite(found.p_value):
        return ""
    return "banded" if found.p_value <= SIGNIFICANCE else "not banded"
