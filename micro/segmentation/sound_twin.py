"""What sound edges would look like in the matrix of a field: its own outlines set into its own matrix, under a lens.

An uneven matrix changes the mean edge as rims and domes do: bright spots that touch a carbide join its outline, dark
ones do not. How much, nobody derives for every etch; a twin of the field whose edges are known to be sound shows it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import close_to
from micro.segmentation.edge_models import sound_edges
from micro.segmentation.edge_profile import (
    FEWEST_DEEP,
    EdgeShape,
    carbide_levels,
    deep_places,
    deep_ratio,
    edge_shape,
    middle,
    solid_outlines,
)
from micro.segmentation.fine_grid import FineGrid
from micro.segmentation.levels import Levels
from micro.segmentation.matrix import Matrix, smoothed
from micro.segmentation.outline import outline
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.segmentation.tone import pixel_noise

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
CLEAR_PX = 2.0  # beyond the basins, where light of rims may be left (chosen)
# The matrix is moved until it is whole, by shares of the frame that spread evenly (powers of the plastic number).
MOVES = tuple((k * 0.7548776662 % 1, k * 0.5698402910 % 1) for k in range(1, 25))
WHOLE = 0.98  # share of the frame; the rest has the level of the matrix
# Skew and kurtosis of twins are so far off, beyond what their strips tell (75 sound fields of a fifth generator, whose
# outlines times the spread of their edges over their area are below 0.7).
TWIN_ERROR = (0.02, 0.35)


def beside_twin(s: Segmentation, shape: EdgeShape, matrix: Matrix, settings: SegmentationSettings) -> EdgeShape | None:
    """Return the mean edge less what the matrix makes of sound ones; None where the twin has too few, or no room.

    The field is one that is `quiet_inside`, and its edge that of such.
    """
    twin = sound_twin(s, matrix, settings)
    sound = edge_shape(twin) if twin is not None and twin.count else None
    if sound is None:
        return None
    # The twin has the bends of the outlines too.
    skew, kurtosis = sound_edges(shape)
    return replace(
        shape,
        skew=shape.skew - sound.skew + skew,
        skew_uncertainty=float(np.linalg.norm([shape.skew_uncertainty, sound.skew_uncertainty, TWIN_ERROR[0]])),
        kurtosis=shape.kurtosis - sound.kurtosis + kurtosis,
        kurtosis_uncertainty=float(
            np.linalg.norm([shape.kurtosis_uncertainty, sound.kurtosis_uncertainty, TWIN_ERROR[1]])
        ),
    )


def sound_twin(s: Segmentation, matrix: Matrix, settings: SegmentationSettings) -> Segmentation | None:
    """Set the outlines of the middle of a field into its own matrix, and outline them again by the field's levels.

    The field is one that is `quiet_inside`. None: see `beside_twin`.
    """
    part = middle(s)
    bare = _matrix_alone(part)
    if bare is None or s.blur_px is None:
        return None
    random = np.random.default_rng(0)
    level = _levels(part, random).astype(np.float32).take(part.basins)
    solid = solid_outlines(part, part.contrast / level, part.basins > 0)
    share = FineGrid.of(solid, s.blur_px).under_lens(s.blur_px)
    inside = level + np.float32(s.noise) * random.standard_normal(level.shape, np.float32)
    contrast = bare + (inside - bare) * share
    noise = np.full(contrast.shape, matrix.smooth_noise, np.float32)
    found = outline(contrast, smoothed(contrast), noise, Levels(matrix, s.blur_px, s.classes), settings)
    number = len(found.class_index)
    return replace(
        part, labels=found.labels, basins=found.basins, contrast=contrast, class_index=found.class_index,
        flags=np.zeros(number, np.uint32), excluded=np.zeros(contrast.shape, bool),
    )  # fmt: skip


def _levels(part: Segmentation, random: np.random.Generator) -> FloatArray:
    """(n + 1,) contrast of each carbide, drawn from its class where it shows none; of the matrix the median."""
    level, shown = carbide_levels(part), np.isfinite(deep_ratio(part)[0])
    if shown.any():
        off = (level[1:] / part.class_contrast)[shown]
        level[1:][~shown] = part.class_contrast[~shown] * random.choice(off, int((~shown).sum()))
    return level


def _matrix_alone(part: Segmentation) -> Picture | None:
    """(rows, columns) contrast of a matrix without carbides, of moved pieces; None where they leave too much open."""
    bare = ~close_to(((part.basins > 0) | part.excluded).view(np.uint8), CLEAR_PX)
    whole, open_ = np.zeros_like(part.contrast), np.ones(bare.shape, bool)
    for move in MOVES:
        by = tuple(int(share * n) for share, n in zip(move, bare.shape, strict=True))
        here = open_ & np.roll(bare, by, (0, 1))
        np.copyto(whole, np.roll(part.contrast, by, (0, 1)), where=here)
        open_ &= ~here
    return whole if open_.mean() < 1 - WHOLE else None


def quiet_inside(s: Segmentation, sensor_noise: float) -> Segmentation:
    """Return it with the noise of carbides, which have nothing of the texture of their matrix, in place of its own."""
    deep = deep_places(s)
    noise = pixel_noise(s.contrast, deep) if len(deep) >= FEWEST_DEEP else sensor_noise
    return replace(s, noise=noise, noise_area_px=1.0)
