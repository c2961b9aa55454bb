"""Random geometry obeys its published laws."""

import numpy as np
import pytest
from scipy import ndimage, stats

from micro.phantom.coverage import boolean_model, cover, cover_mask, sphere_sections
from micro.phantom.shapes import shapes


def test_sections_of_equal_spheres():
    """Mean diameter πD/4 and mean area πD²/6 (E. E. Underwood, Quantitative Stereology, 1970; derivable)."""
    d = sphere_sections(200_000, 10.0, 0.0, np.random.default_rng(1))
    assert d.mean() == pytest.approx(np.pi * 10 / 4, rel=2e-3)
    assert np.pi / 4 * (d**2).mean() == pytest.approx(np.pi * 100 / 6, rel=3e-3)
    assert d.max() <= 10
    law = stats.kstest(d, lambda x: 1 - np.sqrt(1 - (x / 10) ** 2))
    assert law.pvalue > 1e-3


def test_sections_of_spheres_of_many_sizes():
    """Sections per size go with the diameter: mean section diameter π/4·E[D²]/E[D], from the lognormal's moments."""
    d = sphere_sections(300_000, 10.0, 0.5, np.random.default_rng(2))
    mean_square = 100 * np.exp(0.25)
    assert d.mean() == pytest.approx(np.pi / 4 * mean_square / 10, rel=5e-3)


@pytest.mark.parametrize("density", [0.001, 0.006])
def test_boolean_model_covers_one_minus_exp(density):
    """Area fraction 1 − exp(−λĀ) (Matheron, from memory), mean grain area from the lognormal's moments."""
    mean_area = np.pi / 4 * 10**2 * np.exp(0.3**2)
    rng = np.random.default_rng(3)
    fractions = [
        cover(boolean_model(density, 10, 0.3, (200, 300), rng), (200, 300)).area_fraction[0] for _ in range(30)
    ]
    error = np.std(fractions, ddof=1) / np.sqrt(30)
    assert np.mean(fractions) == pytest.approx(1 - np.exp(-density * mean_area), abs=4 * error)


@pytest.mark.parametrize("magnification", [1.0, 0.5, 2.0])
def test_drawn_outlines_keep_their_area_and_number(magnification):
    rng = np.random.default_rng(4)
    outlines = shapes(np.array([30.0, 16.0, 20.0]), rng, aspect=2.0, angle_deg=np.array([10, 70, 130]), roughness=0.1)
    mask = cover(outlines.moved([40, 90, 120], [40, 60, 20]), (90, 140)).labels > 0
    coverage = cover_mask(mask, magnification)
    assert coverage.by_class.shape == (1, round(90 * magnification), round(140 * magnification))
    assert coverage.by_class.sum() == pytest.approx(mask.sum() * magnification**2, rel=0.01)
    assert coverage.area_px.sum() == pytest.approx(coverage.by_class.sum(), rel=1e-5)
    assert len(coverage.area_px) == 3
    assert coverage.whole.all()


def test_drawn_outlines_become_smooth():
    """A staircase drawn along a slanting edge comes closer to the true edge."""
    rng = np.random.default_rng(5)
    true = cover(shapes(np.array([50.0]), rng, aspect=1.5, angle_deg=20.0).moved([50], [45]), (90, 100))
    drawn = true.labels > 0
    rough, smooth = (np.abs(share - true.by_class[0]).sum() for share in (drawn, cover_mask(drawn).by_class[0]))
    assert smooth < 0.5 * rough


def test_empty_drawing():
    """Nothing drawn covers nothing."""
    coverage = cover_mask(np.zeros((20, 30), bool))
    assert coverage.by_class.sum() == 0
    assert len(coverage.area_px) == 0


def test_drawn_outlines_at_the_edge_are_not_whole():
    mask = np.zeros((40, 60), bool)
    mask[0:10, 5:15] = mask[20:30, 30:45] = True
    coverage = cover_mask(mask)
    assert sorted(coverage.whole.tolist()) == [False, True]
    assert ndimage.label(coverage.labels > 0)[1] == 2
