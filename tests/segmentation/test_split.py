"""Touching carbides come apart, elongated and concave ones stay whole."""

import numpy as np
import pytest

from micro import issues as flags
from micro.phantom.coverage import Coverage, cover
from micro.phantom.picture import Optics, photograph
from micro.phantom.scenes import Population
from micro.phantom.shapes import shapes
from micro.segmentation.stages import segment

SPLIT = flags.bit("split", flags.CARBIDE_FLAGS)


def picture(outlines, shape, **optics):
    coverage: Coverage = cover(outlines, shape)
    return photograph(coverage, Optics(**({"shading": 0.0, "noise": 4.0} | optics)), np.random.default_rng(8))


@pytest.mark.parametrize("aspect", [1.0, 2.0, 3.5, 5.0])
def test_single_ellipses_stay_whole(phantom, aspect):
    field = phantom([Population(0.10, 16, aspect=aspect, aspect_spread=0.0, roughness=0.0)], shape=(512, 640))
    found = segment(field.grey)
    truth = np.bincount(field.truth.coverage.labels.ravel())[1:]
    assert found.count == pytest.approx(np.count_nonzero(truth >= 8), rel=0.03)


@pytest.mark.parametrize("overlap", [0.0, 1.0])
def test_two_discs_that_touch_come_apart(overlap):
    rng = np.random.default_rng(2)
    x, y = np.meshgrid(np.arange(60.0, 600, 80), np.arange(60.0, 400, 80))
    pair = shapes(np.full(2 * x.size, 20.0), rng).moved(
        np.concatenate([x.ravel(), x.ravel() + 20 - overlap]), np.tile(y.ravel(), 2)
    )
    found = segment(picture(pair, (440, 640)))
    assert found.count == 2 * x.size
    assert (found.flags & SPLIT > 0).all()


def test_discs_apart_are_not_called_split():
    x, y = np.meshgrid(np.arange(40.0, 600, 40), np.arange(40.0, 400, 40))
    discs = shapes(np.full(x.size, 12.0), np.random.default_rng(2)).moved(x.ravel(), y.ravel())
    found = segment(picture(discs, (440, 640)))
    assert found.count == x.size
    assert not (found.flags & SPLIT).any()


def test_neighbours_share_the_light_between_them():
    """Areas of touching discs add up to the truth, each within 5 % of its own."""
    x, y = np.meshgrid(np.arange(60.0, 600, 80), np.arange(60.0, 400, 80))
    n = x.size
    pair = shapes(np.repeat([20.0, 14.0], n), np.random.default_rng(2)).moved(
        np.concatenate([x.ravel(), x.ravel() + 18]), np.tile(y.ravel(), 2)
    )
    found = segment(picture(pair, (440, 640)))
    light = np.bincount(found.basins.ravel(), found.contrast.ravel())[1:] / found.classes[0].contrast
    ecd = np.sort(2 * np.sqrt(light / np.pi))
    assert found.count == 2 * n
    assert ecd[:n].mean() == pytest.approx(14, rel=0.025)
    assert ecd[n:].mean() == pytest.approx(20, rel=0.025)
