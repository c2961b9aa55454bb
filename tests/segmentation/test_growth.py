"""What lies close to regions goes to the nearest one: checked against SciPy's exact distance map."""

import cv2
import numpy as np
import pytest
from scipy import ndimage

from micro.geometry.regions import FAR_PX, Pixels, away_from, close_to, firsts, grown, nearest_number

# Beyond FAR_PX distances are those of a 5 × 5 chamfer mask, off by 2 % at most (G. Borgefors 1986, from memory).
CHAMFER = 0.02


def regions(seed, shape=(120, 150), share=0.004):
    """Small regions, touching ones among them, each with a number of its own."""
    rng = np.random.default_rng(seed)
    mask = ndimage.binary_dilation(rng.uniform(size=shape) < share, iterations=int(rng.integers(1, 4)))
    labels, count = ndimage.label(mask)
    halves = labels + count * ((labels > 0) & (np.arange(shape[1]) % 40 < 20))
    numbers = np.unique(halves[halves > 0])
    return np.searchsorted(np.append(0, numbers), halves).astype(np.int32), len(numbers)


@pytest.mark.parametrize("reach", [1.0, 2.2, 3.9, FAR_PX - 0.1, FAR_PX + 0.5, 9.3])
def test_every_pixel_within_reach_goes_to_a_nearest_region(reach):
    """No other region is nearer than the one that took the pixel, and none beyond reach is taken."""
    off = CHAMFER if reach >= FAR_PX else 0.0
    for seed in range(4):
        labels, count = regions(seed)
        found = grown(Pixels.of(labels, count), reach).labels()
        away = np.stack([ndimage.distance_transform_edt(labels != number + 1) for number in range(count)])
        nearest = away.min(axis=0)
        taken = found > 0
        own = np.take_along_axis(away, np.maximum(found - 1, 0)[None], axis=0)[0]
        assert np.all(own[taken] <= nearest[taken] * (1 + 2 * off) + 1e-9)
        assert np.all(taken[nearest <= reach * (1 - off)]) and not taken[nearest > reach * (1 + off)].any()
        assert np.array_equal(found[labels > 0], labels[labels > 0])


@pytest.mark.parametrize("reach", [1.0, 2.5, 4.9, 7.5])
def test_close_is_what_the_distance_map_says(reach):
    off = CHAMFER if reach >= FAR_PX else 0.0
    labels, _ = regions(7)
    away = ndimage.distance_transform_edt(labels == 0)
    found = close_to((labels > 0).view(np.uint8), reach)
    assert np.all(found[away <= reach * (1 - off)]) and not found[away > reach * (1 + off)].any()


def test_without_regions_nothing_grows():
    nothing = Pixels.of(np.zeros((20, 30), np.int32), 0)
    assert len(grown(nothing, 3.0).at) == 0


def test_more_regions_than_sixteen_bits_count():
    """Numbers beyond 65 535 are told apart as well."""
    labels = np.zeros((800, 1200), np.int32)
    labels[1::3, 1::3] = np.arange(1, 267 * 400 + 1).reshape(267, 400)[: len(labels[1::3])]
    count = int(labels.max())
    found = grown(Pixels.of(labels, count), 1.5).labels()
    assert count > 2**16
    assert np.array_equal(found, ndimage.grey_dilation(labels, (3, 3)))


@pytest.mark.parametrize("reach", [0.5, 1.0, 1.4, 2.3, 3.4, 4.9, 5.0, 7.2])
def test_what_lies_away_is_what_the_distance_map_says(reach):
    """To the pixel, for few 1s and for many."""
    rng = np.random.default_rng(2)
    for share in (0.002, 0.02, 0.2):
        mask = (rng.random((90, 130)) < share).astype(np.uint8)
        away = cv2.distanceTransform(1 - mask, cv2.DIST_L2, cv2.DIST_MASK_5) >= np.float32(reach)
        np.testing.assert_array_equal(away_from(mask, reach), away)


@pytest.mark.parametrize("reach", [1.0, 2.5, 3.0])
def test_the_nearest_number_is_that_of_scipy(reach):
    """The same of several as near too, and at the same distance."""
    for seed in range(4):
        labels, _ = regions(seed, share=0.03)
        away, nearest = ndimage.distance_transform_edt(labels == 0, return_indices=True)
        at, number, distance = nearest_number(labels, reach)
        assert np.array_equal(at, np.flatnonzero(away <= reach))
        assert np.array_equal(number, labels[tuple(nearest)].ravel()[at])
        assert np.array_equal(distance, away.ravel()[at])


@pytest.mark.parametrize("share", [0.0, 0.02, 0.3, 1.0])
def test_one_pixel_of_each_region_is_found(share):
    """As many as SciPy numbers, each in another region; rows of one pixel and regions along the frame among them."""
    for seed, shape in enumerate([(40, 60), (1, 50), (50, 1), (7, 7)]):
        mask = np.random.default_rng(seed).random(shape) < share
        labels, count = ndimage.label(mask, np.ones((3, 3)))
        assert sorted(labels.ravel()[firsts(mask)]) == list(range(1, count + 1))
