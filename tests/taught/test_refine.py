"""Further points lie where the map is unsure, are undone by their weights, and bring what was said before."""

import numpy as np
import pytest
from invented import hard_etch

from micro.taught.corrected import CountedField, corrected_fraction
from micro.taught.refine import EVEN_SHARE, density, draw_points, predict


@pytest.fixture(scope="module")
def field():
    """(carbide, map): the map knows the carbide but for its rims, where it is unsure."""
    import cv2

    _, carbide = hard_etch(np.random.default_rng(5), side=200)
    return carbide, cv2.GaussianBlur(carbide.astype(np.float32), (0, 0), 3)


def drawn(rng, carbide, map_, dense, first, further):
    """One field counted by two draws, with the weights of both."""
    x, y = draw_points(np.ones_like(dense), first, rng)
    more_x, more_y = draw_points(dense, further, rng)
    row, column = np.r_[y, more_y].astype(int), np.r_[x, more_x].astype(int)
    draw = np.r_[np.zeros(first, int), np.ones(further, int)]
    w = np.where(draw == 0, 1.0, 1 / dense[row, column])
    return CountedField(carbide[row, column].astype(float), map_[row, column], float(map_.mean()), w, draw)


def test_the_density_has_mean_one_and_a_floor(field):
    dense = density(field[1])
    assert dense.mean() == pytest.approx(1, abs=1e-4)
    assert dense.min() >= EVEN_SHARE - 1e-6
    assert field[1].ravel()[dense.argmax()] == pytest.approx(0.5, abs=0.01)


def test_a_map_that_is_sure_everywhere_gives_an_even_spread():
    assert (density(np.zeros((5, 5), np.float32)) == 1).all()


def test_points_stay_in_the_analysed_area(field):
    area = np.zeros(field[1].shape, bool)
    area[:, 50:120] = True
    dense = density(field[1], area)
    x, y = draw_points(dense, 500, np.random.default_rng(1))
    assert dense[area].mean() == pytest.approx(1, abs=1e-4)
    assert ((x >= 50) & (x < 120) & (y >= 0) & (y < 200)).all()


def test_points_follow_the_density():
    """Chi squared of 4000 points over a picture of four densities."""
    from scipy import stats

    dense = np.repeat(np.array([[0.4, 0.8, 1.2, 1.6]], np.float32), 10, axis=1).repeat(30, axis=0)
    x, _ = draw_points(dense, 4000, np.random.default_rng(2))
    seen = np.bincount((x // 10).astype(int), minlength=4)
    assert stats.chisquare(seen, [400, 800, 1200, 1600]).pvalue > 0.001


def test_weights_undo_the_draw_and_the_interval_covers(field):
    """200 counts with unequal probability: unbiased, and 95 % intervals cover within three standard errors."""
    carbide, map_ = field
    dense, rng = density(map_), np.random.default_rng(3)
    found = [corrected_fraction([drawn(rng, carbide, map_, dense, 60, 90)]).of_the_fields for _ in range(200)]
    value = np.array([f.value for f in found])
    assert value.mean() == pytest.approx(carbide.mean(), abs=4 * value.std() / np.sqrt(200))
    assert np.mean([f.low <= carbide.mean() <= f.high for f in found]) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 200)


def test_what_was_said_before_comes_true(field):
    """Mean predicted half width within a tenth of the mean half width after counting; better than an even spread."""
    carbide, map_ = field
    dense, rng = density(map_), np.random.default_rng(4)
    said, came, evenly = [], [], []
    for _ in range(60):
        fields = [drawn(rng, carbide, map_, dense, 100, 0) for _ in range(3)]
        said.append(predict(fields, [dense_at(f, map_, dense) for f in fields], 300).fields_then)
        refined = [drawn(rng, carbide, map_, dense, 100, 100) for _ in range(3)]
        even = [drawn(rng, carbide, map_, np.ones_like(dense), 100, 100) for _ in range(3)]
        came.append(corrected_fraction(refined).of_the_fields.half_width)
        evenly.append(corrected_fraction(even).of_the_fields.half_width)
    assert np.mean(said) == pytest.approx(np.mean(came), rel=0.1)
    assert np.mean(came) < 0.95 * np.mean(evenly)


def dense_at(field, map_, dense):
    """Density at the points, from the map there: the density is a function of it."""
    order = np.argsort(map_.ravel())
    return np.interp(field.map_at_points, map_.ravel()[order], dense.ravel()[order])


def test_the_scatter_between_fields_stays():
    """However many points: fields of 20 and 40 % leave the specimen uncertain, and the mean of the two certain."""
    rng = np.random.default_rng(6)
    fields = []
    for share in (0.2, 0.3, 0.4):
        y = (rng.random(400) < share).astype(float)
        fields.append(CountedField(y, np.full(400, 0.3), 0.3))
    found = predict(fields, [np.ones(400)] * 3, 100_000)
    assert found.fields_then < 0.2 * found.fields_now
    assert found.specimen_then > 0.8 * found.specimen_now
    assert found.minutes > 1000
