"""What shapes cover of a picture, to a fifth of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.phantom.shapes import FloatArray, Shapes, inside

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
