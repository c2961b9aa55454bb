"""Regions as lists of pixels: against SciPy's sums over labels and the runs read off the labels themselves."""

import numpy as np
import pytest
from scipy import ndimage, sparse

from micro.geometry.regions import Pixels, linked
from micro.geometry.runs import find_runs


def labelled():
    """Blobs of a random picture, several in one row, some side by side and at either edge."""
    rng = np.random.default_rng(4)
    labels, count = ndimage.label(ndimage.gaussian_filter(rng.standard_normal((60, 90)), 2) > 0.05)
    labels[20:30, 40:45], labels[20:30, 45:52] = count + 1, count + 2
    kept = np.unique(labels)[1:]
    return np.searchsorted(kept, labels, side="right").astype(np.int32), len(kept)


def test_runs_of_regions_are_those_of_their_labels():
    labels, count = labelled()
    mine, theirs = Pixels.of(labels, count).runs(), find_runs(labels, count)
    for name in ("label", "row", "start", "stop"):
        assert np.array_equal(getattr(mine, name), getattr(theirs, name)), name


def test_sums_sizes_and_choices():
    labels, count = labelled()
    grey = np.random.default_rng(5).uniform(0, 255, labels.shape)
    pixels, every = Pixels.of(labels, count), np.arange(1, count + 1)
    assert np.allclose(pixels.sum(grey), ndimage.sum_labels(grey, labels, every))
    assert np.allclose(pixels.size(), ndimage.sum_labels(np.ones_like(grey), labels, every))
    assert np.array_equal(pixels.labels(), labels)
    assert np.array_equal(pixels.mask(), labels > 0)
    keep = np.arange(count) % 3 == 0
    chosen = pixels.chosen(keep)
    assert chosen.count == keep.sum()
    assert np.array_equal(chosen.size(), pixels.size()[keep])
    assert np.array_equal(chosen.labels() > 0, np.isin(labels, every[keep]))
    assert np.array_equal(pixels.any(pixels.values(grey) > 250), ndimage.maximum(grey, labels, every) > 250)


@pytest.mark.parametrize("links", [0, 1, 30, 100, 400])
def test_linked_things_hang_together_as_in_a_graph(links):
    """Groups and their order are those of SciPy's components: of few links, of a long chain, of all in one."""
    rng = np.random.default_rng(links)
    one, other = rng.integers(0, 100, (2, links))
    if links == 30:
        one = rng.permutation(99)
        other = one + 1
    graph = sparse.coo_array((np.ones(len(one)), (one, other)), (100, 100))
    expected = sparse.csgraph.connected_components(graph, directed=False)[1]
    assert linked(100, one, other).tolist() == expected.tolist()
