"""What planted carbides tell of a reading: nothing where it is right, and the share that it loses or adds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from micro.segmentation.outline import Outlines
from micro.segmentation.planted import Ground, Shapes, read_planted, true_shapes

SHAPE, LEVEL, BLUR = (300, 300), 100.0, 1.0


def outlines(contrast):
    """Read at half height, basins 4 px wider: what any segmentation of a clean picture does."""
    labels, count = ndimage.label(contrast > LEVEL / 2)
    distance, at = ndimage.distance_transform_edt(labels == 0, return_indices=True)
    basins = np.where(distance <= 4, labels[tuple(at)], 0)
    area = np.bincount(labels.ravel(), minlength=count + 1)[1:].astype(float)
    flags = np.zeros(count, bool)
    return Outlines(labels.astype(np.int32), basins.astype(np.int32), np.zeros(count, np.intp), flags, flags, area)


@pytest.fixture(scope="module")
def field():
    """Ground and its 36 discs of 5 to 8 px radius, edges shared out between pixels, then blurred."""
    y, x = np.indices(SHAPE)
    sharp = np.zeros(SHAPE)
    for k in range(36):
        row, column = 25 + 50 * (k // 6) + 0.37 * (k % 3), 25 + 50 * (k % 6) + 0.29 * (k % 5)
        sharp += np.clip(5 + k % 4 + 0.5 - np.hypot(y - row, x - column), 0, 1)
    contrast = (LEVEL * ndimage.gaussian_filter(sharp, BLUR)).astype(np.float32)
    found = outlines(contrast)
    return Ground(contrast, found.basins > 0, LEVEL, BLUR), found, sharp


def test_true_shapes_of_clean_discs_have_their_area(field):
    """Half-height outlines of blurred discs lie σ²/(2·radius) inside the edge; put back, the area is theirs."""
    _, found, sharp = field
    shapes = true_shapes(found, BLUR, 0.0)
    assert shapes.area.sum() == pytest.approx(sharp.sum(), rel=0.02)


def test_a_reading_that_is_right_is_left_as_it_is(field):
    ground, found, _ = field
    told = read_planted(ground, true_shapes(found, BLUR, 0.0), found, outlines)
    assert told.factor == pytest.approx(1, abs=0.005) and told.missed == 0
    assert told.half < 0.01 and abs(told.apart) < 0.03


def test_a_reading_that_loses_every_fifth_is_told(field):
    """A fifth of all carbides, whatever their size: 25 % more than was found."""
    ground, found, _ = field

    def loses(contrast):
        every = outlines(contrast)
        lost = np.append(False, np.arange(len(every.area)) % 5 == 0)
        return replace(every, labels=np.where(lost[every.labels], 0, every.labels))

    told = read_planted(ground, true_shapes(found, BLUR, 0.0), found, loses)
    assert told.missed == pytest.approx(0.25, abs=0.15)


def test_too_few_places_tell_nothing(field):
    ground, found, _ = field
    shapes = true_shapes(found, BLUR, 0.0)
    everywhere = replace(ground, taken=np.ones(SHAPE, bool))
    assert isinstance(shapes, Shapes) and read_planted(everywhere, shapes, found, outlines) is None
