"""Outlines of invented carbides, and what they cover of a picture, to a fifth of a pixel."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
HARMONICS = np.arange(2, 6)


@dataclass(frozen=True, eq=False)
class Shapes:
    """n outlines r(t) = ellipse(t)·(1 + Σ roughness_k·cos(k·t + phase_k)), k = 2 … 5, cut by facets, in pixels.

    Parameters
    ----------
    x, y
        (n,) centres; origin at the top left, y down, a pixel's centre at +0.5.
    semi_major, semi_minor
        (n,) half axes of the ellipse.
    angle_deg
        (n,) major axis from the horizontal, counter-clockwise as seen.
    class_index
        (n,) class of each outline.
    roughness, phase
        (n, 4) amplitude and phase of the harmonics.
    facet_angle, facet_distance
        (n, f) straight cuts: direction (radians) and distance from the centre, both where the ellipse is
        drawn as the unit circle.
    """

    x: FloatArray
    y: FloatArray
    semi_major: FloatArray
    semi_minor: FloatArray
    angle_deg: FloatArray
    class_index: NDArray[np.intp]
    roughness: FloatArray
    phase: FloatArray
    facet_angle: FloatArray
    facet_distance: FloatArray

    def __len__(self) -> int:
        return len(self.x)

    @property
    def reach(self) -> FloatArray:
        """(n,) radius of a circle about the centre that holds the outline."""
        return self.semi_major * (1 + np.abs(self.roughness).sum(axis=1))

    @property
    def extent(self) -> tuple[FloatArray, FloatArray]:
        """(n,) half width and (n,) half height of an upright box about the centre that holds the outline."""
        turn = np.radians(self.angle_deg)
        swell = 1 + np.abs(self.roughness).sum(axis=1)
        along, across = self.semi_major * swell, self.semi_minor * swell
        return (
            np.hypot(along * np.cos(turn), across * np.sin(turn)),
            np.hypot(along * np.sin(turn), across * np.cos(turn)),
        )

    def take(self, index: NDArray) -> Shapes:
        """Return the outlines at `index` (integers or booleans)."""
        return Shapes(**{key: value[index] for key, value in vars(self).items()})

    def moved(self, x: FloatArray, y: FloatArray) -> Shapes:
        """Return the same outlines at other centres."""
        return replace(self, x=np.asarray(x, float), y=np.asarray(y, float))


def shapes(
    ecd: FloatArray,
    rng: np.random.Generator,
    *,
    aspect: FloatArray | float = 1.0,
    angle_deg: FloatArray | float = 0.0,
    class_index: NDArray[np.intp] | int = 0,
    roughness: float = 0.0,
    facets: int = 0,
) -> Shapes:
    """Outlines at the origin of given equivalent circle diameter (px), that of their area.

    Parameters
    ----------
    ecd
        (n,) diameters of circles of the same area.
    aspect, angle_deg, class_index
        (n,) or one value for all.
    roughness
        Spread of the first harmonic's amplitude, cut off at 1.5 times and at 0.2; the next ones fall off as 1/k.
    facets
        Number of straight cuts that take corners off the ellipse.
    """
    ecd = np.asarray(ecd, float)
    n = len(ecd)
    aspect = np.broadcast_to(np.asarray(aspect, float), n)
    amplitude = roughness * np.clip(rng.standard_normal((n, len(HARMONICS))), -1.5, 1.5) * 2 / HARMONICS
    raw = Shapes(
        x=np.zeros(n),
        y=np.zeros(n),
        semi_major=ecd / 2 * np.sqrt(aspect),
        semi_minor=ecd / 2 / np.sqrt(aspect),
        angle_deg=np.broadcast_to(np.asarray(angle_deg, float), n).copy(),
        class_index=np.broadcast_to(np.asarray(class_index, np.intp), n).copy(),
        roughness=np.clip(amplitude, -0.2, 0.2),
        phase=rng.uniform(0, 2 * np.pi, (n, len(HARMONICS))),
        facet_angle=2 * np.pi / max(facets, 1) * (np.arange(facets) + rng.uniform(-0.4, 0.4, (n, facets))),
        facet_distance=rng.uniform(0.6, 1.05, (n, facets)),
    )
    if not (roughness or facets):
        return raw
    x, y = np.moveaxis(polygons(raw, 120), 2, 0)
    area = np.abs((x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1)) / 2
    factor = ecd / (2 * np.sqrt(area / np.pi))
    return replace(raw, semi_major=raw.semi_major * factor, semi_minor=raw.semi_minor * factor)


def joined(first: Shapes, second: Shapes) -> Shapes:
    """Outlines of both; `second` follows `first`."""
    both = {key: [a, vars(second)[key]] for key, a in vars(first).items()}
    facets = max(a.shape[1] for a in both["facet_angle"])
    for key, none in (("facet_angle", 0.0), ("facet_distance", np.inf)):
        both[key] = [np.pad(a, ((0, 0), (0, facets - a.shape[1])), constant_values=none) for a in both[key]]
    return Shapes(**{key: np.concatenate(pair) for key, pair in both.items()})


def inside(
    outlines: Shapes, index: NDArray[np.intp], dx: FloatArray, dy: FloatArray, grow: float = 0.0
) -> NDArray[np.bool_]:
    """Whether points (m, …) at `dx`, `dy` from the centres of outlines `index` (m or 1, …) lie within the outline.

    `grow` moves the outline outwards along its radii.
    """
    turn = np.radians(outlines.angle_deg)
    cos, sin = np.cos(turn)[index], np.sin(turn)[index]
    along, across = dx * cos - dy * sin, -dx * sin - dy * cos
    radius = np.maximum(np.hypot(along, across), 1e-12) if grow or outlines.roughness.any() else np.ones(1)
    inward = 1 - grow / np.maximum(radius, grow) if grow else 1.0
    u, v = inward * along / outlines.semi_major[index], inward * across / outlines.semi_minor[index]
    wave = _wave(outlines, index, along / radius, across / radius) if outlines.roughness.any() else 1.0
    hit = u * u + v * v <= wave * wave
    for angle, distance in zip(outlines.facet_angle.T, outlines.facet_distance.T, strict=True):
        hit &= u * np.cos(angle)[index] + v * np.sin(angle)[index] <= distance[index]
    return hit


def _wave(outlines: Shapes, index: NDArray[np.intp], cos: FloatArray, sin: FloatArray) -> FloatArray:
    """1 + Σ roughness_k·cos(k·t + phase_k) from cos t and sin t, by the addition theorem."""
    real, imaginary = outlines.roughness * np.cos(outlines.phase), outlines.roughness * np.sin(outlines.phase)
    wave = np.ones_like(cos)
    cos_k, sin_k = cos, sin
    for k in range(len(HARMONICS)):
        cos_k, sin_k = cos_k * cos - sin_k * sin, sin_k * cos + cos_k * sin
        wave += real[index, k] * cos_k - imaginary[index, k] * sin_k
    return wave


def polygons(outlines: Shapes, vertices: int = 360) -> FloatArray:
    """(n, vertices, 2) x, y of points along the outlines, counter-clockwise as seen."""
    n = len(outlines)
    a, b = outlines.semi_major[:, None], outlines.semi_minor[:, None]
    t = np.linspace(0, 2 * np.pi, vertices, endpoint=False)  # equal steps on the ellipse drawn as a circle
    flat = np.arctan2(b * np.sin(t), a * np.cos(t))
    radius = _wave(outlines, np.arange(n)[:, None], np.cos(flat), np.sin(flat))
    for angle, distance in zip(outlines.facet_angle.T, outlines.facet_distance.T, strict=True):
        toward = np.cos(t - angle[:, None])
        reach = np.divide(distance[:, None], toward, out=np.full((n, vertices), np.inf), where=toward > 1e-6)
        radius = np.minimum(radius, reach)
    along, across = a * radius * np.cos(t), b * radius * np.sin(t)
    turn = np.radians(outlines.angle_deg)[:, None]
    x = outlines.x[:, None] + along * np.cos(turn) - across * np.sin(turn)
    y = outlines.y[:, None] - along * np.sin(turn) - across * np.cos(turn)
    return np.stack([x, y], axis=2)


SUBSAMPLES = 5
ALL_BITS = np.uint32(2**SUBSAMPLES**2 - 1)
CENTRE_BIT = np.uint32(1 << SUBSAMPLES**2 // 2)
BITS = 1 << np.arange(SUBSAMPLES**2, dtype=np.uint32)
BLOCK = 2_000
CHUNK = 1_000_000


@dataclass(frozen=True, eq=False)
class Coverage:
    """Share of every pixel that carbide covers.

    Parameters
    ----------
    by_class
        (classes, rows, columns) float32, 0 to 1; where outlines overlap the later one wins.
    labels
        (rows, columns) int32, 1 + index of the outline that owns the pixel's centre, 0 for matrix.
    area_px
        (n,) area of each outline within the frame, px²; sums to the area of all classes.
    whole
        (n,) True where the frame does not cut the outline.
    """

    by_class: NDArray[np.float32]
    labels: NDArray[np.int32]
    area_px: FloatArray
    whole: NDArray[np.bool_]

    @property
    def area_fraction(self) -> FloatArray:
        """(classes,) true area fraction of each class."""
        return self.by_class.mean(axis=(1, 2), dtype=float)


def cover(outlines: Shapes, shape: tuple[int, int], classes: int = 1) -> Coverage:
    """Sample outlines on a grid five times finer than the pixels and count.

    Every pixel an outline may touch gets a word of 25 bits, one a sample point; only pixels near an outline's
    edge are sampled, those inside it are filled.

    Parameters
    ----------
    outlines
        Outlines placed on the frame, in px.
    shape
        (rows, columns) of the frame.
    """
    whole = np.ones(len(outlines), bool)
    across, down = (np.ceil(extent).astype(np.int64) + 2 for extent in outlines.extent)
    size = (2 * across + 1) * (2 * down + 1)
    pixels, owners, words = [np.empty(0, np.int64)], [np.empty(0, np.int64)], [np.empty(0, np.uint32)]
    start = 0
    while start < len(outlines):
        stop = start + max(1, int(np.searchsorted(np.cumsum(size[start:]), CHUNK)))
        rows, cols, which, word = _sample(outlines, np.arange(start, stop), across, down)
        seen = (rows >= 0) & (rows < shape[0]) & (cols >= 0) & (cols < shape[1])
        whole[which[~seen]] = False
        pixels.append(rows[seen] * shape[1] + cols[seen])
        owners.append(which[seen])
        words.append(word[seen])
        start = stop
    pixel, owner, word = np.concatenate(pixels), np.concatenate(owners), np.concatenate(words)
    word = _later_wins(pixel, word)
    share = np.unpackbits(word.view(np.uint8).reshape(-1, 4), axis=1).sum(axis=1, dtype=float) / SUBSAMPLES**2
    cells = outlines.class_index[owner] * (shape[0] * shape[1]) + pixel
    by_class = np.bincount(cells, share, classes * shape[0] * shape[1]).astype(np.float32)
    labels = np.zeros(shape, np.int32)
    at_centre = word & CENTRE_BIT != 0
    labels.ravel()[pixel[at_centre]] = owner[at_centre] + 1
    area = np.bincount(owner, share, len(outlines)).astype(float)
    return Coverage(by_class.reshape(classes, *shape), labels, area, whole)


def _sample(
    outlines: Shapes, index: NDArray[np.intp], across: NDArray[np.int64], down: NDArray[np.int64]
) -> tuple[NDArray, NDArray, NDArray, NDArray[np.uint32]]:
    """Rows, columns, outline numbers and sample words of all pixels touched by outlines `index`."""
    width = 2 * across[index] + 1
    size = width * (2 * down[index] + 1)
    which = np.repeat(index, size)
    span = np.repeat(width, size)
    row, col = np.divmod(np.arange(len(which)) - np.repeat(np.cumsum(size) - size, size), span)
    rows = np.floor(outlines.y - down).astype(np.int64)[which] + row
    cols = np.floor(outlines.x - across).astype(np.int64)[which] + col
    filled = inside(outlines, which, cols + 0.5 - outlines.x[which], rows + 0.5 - outlines.y[which])
    edge = _near_edge(outlines, which, span, filled)
    word = np.where(filled, ALL_BITS, np.uint32(0))
    word[edge] = 0
    step = (np.arange(SUBSAMPLES) + 0.5) / SUBSAMPLES
    dy, dx = np.repeat(step, SUBSAMPLES), np.tile(step, SUBSAMPLES)
    for at in np.split(edge, np.arange(BLOCK, len(edge), BLOCK)):
        owner = which[at, None]
        hits = inside(outlines, owner, cols[at, None] - outlines.x[owner] + dx, rows[at, None] - outlines.y[owner] + dy)
        word[at] = hits @ BITS
    hit = word != 0
    return rows[hit], cols[hit], which[hit], word[hit]


def _near_edge(outlines: Shapes, which: NDArray, span: NDArray, filled: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Pixels whose 3 × 3 neighbours differ, and all around outlines so thin that pixel centres may miss them."""
    count = np.zeros(len(filled), np.int8)
    here = np.arange(len(filled))
    for step in (-1, 0, 1):
        for side in (-1, 0, 1):
            count += filled[np.clip(here + step * span + side, 0, len(filled) - 1)]
    thin = outlines.semi_minor * (1 - np.abs(outlines.roughness).sum(axis=1))
    too_thin = (thin < 2) | (thin**2 < outlines.reach / 4)
    return np.flatnonzero(((count > 0) & (count < 9)) | too_thin[which])


def _later_wins(pixel: NDArray[np.int64], word: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Clear the bits that a later entry of the same pixel holds too."""
    order = np.argsort(pixel, kind="stable")[::-1]
    ranked = pixel[order]
    first = np.r_[True, ranked[1:] != ranked[:-1]] if len(ranked) else np.zeros(0, bool)
    group = np.cumsum(first) - 1
    depth = np.arange(len(ranked)) - np.flatnonzero(first)[group]
    taken = np.zeros(group[-1] + 1 if len(group) else 0, np.uint32)
    left = word.copy()
    for level in range(int(depth.max(initial=0)) + 1):
        at = depth == level
        left[order[at]] = word[order[at]] & ~taken[group[at]]
        taken[group[at]] |= word[order[at]]
    return left
