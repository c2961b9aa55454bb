"""What is taken for a kind of carbide but may be none: holes where carbides fell out, soft patches of the matrix."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from other_generator import picture

import micro
from micro.phantom.etch import Camera, Etch, etched_field
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.sides import steepness
from micro.segmentation.stages import segment

SHAPE = (384, 384)


def field(greys, seed, fractions=(0.12, 0.03), noise=3.0):
    """Grey (rows, columns) of two kinds of carbide in a matrix, and the area fraction of each."""
    matrix, *classes = greys
    optics = Optics(matrix, tuple(classes), blur_px=0.9, noise=noise)
    kinds = tuple(Population(f, 11.0, spread=0.3, carbide_class=k) for k, f in enumerate(fractions))
    scene = Scene(kinds, ("one", "other"), optics=optics)
    grey, truth = etched_field(scene, SHAPE, Etch(), Camera(), np.random.default_rng([5, seed]))
    return grey, truth.area_fraction


def measured(grey, **words):
    found = micro.measure(grey.astype(np.uint8), um_per_px=0.2, rolling_deg=0, **words)
    return found, {one.kind for one in found.issues}


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.study)])
def test_dark_features_as_black_as_holes_may_be_none(seed):
    """Carbides of grey 80 in a matrix of 190, a fifth of them gone: holes of grey 18 are counted, and may be none."""
    grey, area = field((190, 80, 18), seed)
    found, said = measured(grey)
    assert "fallen_out" in said
    _, low, high = found.area_fraction
    assert low <= area[0] < area.sum() <= high


@pytest.mark.parametrize("greys", [(190, 80, 50), (90, 190, 150), (190, 80, 130)])
def test_two_kinds_of_carbide_are_no_holes_and_no_soft_patches(greys):
    grey, area = field(greys, 1)
    found, said = measured(grey)
    assert not said & {"fallen_out", "soft_class"}
    value, low, high = found.area_fraction
    assert low <= area.sum() <= high and high - low < 0.4 * value


def with_patches(seed):
    """Bright carbides of contrast 100, and patches of 52 whose edges rise over some px; area fraction of the first."""
    grey, area = field((80, 180, 120), seed, fractions=(0.12, 0.0), noise=2.0)
    noise = np.random.default_rng([6, seed]).standard_normal(SHAPE).astype(np.float32)
    grain = cv2.GaussianBlur(noise, (0, 0), 4.0)
    grain /= grain.std()
    patch = np.clip(grain - 1.1, 0, 1) * 52
    return np.where(grey < 110, grey + patch, grey), float(area[0])


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.study) for seed in (2, 3))])
def test_a_fainter_kind_with_soft_edges_may_be_matrix(seed):
    """Read as carbide it adds a sixth or more; the interval holds both readings."""
    grey, area = with_patches(seed)
    found, said = measured(grey)
    value, low, _ = found.area_fraction
    assert len(found.segmentation.classes) > 1 and value > 1.1 * area
    assert "soft_class" in said and low <= area


def test_named_kinds_are_in_no_doubt():
    """Whoever names the kinds says that they are carbide."""
    grey, _ = field((190, 80, 18), 1)
    s = segment(grey, SegmentationSettings("dark", class_names=("dark", "grey")))
    assert "fallen_out" not in {one.kind for one in s.issues}


@pytest.mark.parametrize("diameter", [8.0, 12.0, 30.0])
def test_steepness_is_that_of_a_disc_under_the_lens(diameter):
    """Discs drawn at 8 times the resolution under a normal lens of 1 px: alike whatever their size.

    Asked is the outermost pixel inside. Its middle lies 0 to 1 px inside a straight edge, where the slope is
    e^(−d²/2σ²) of that at the edge; σ² is 1 px² of the lens, 1/12 of the pixels and 1/3 of the difference.
    """
    finer, side = 8, 60
    fine = np.zeros((4 * side * finer, 4 * side * finer), np.float32)
    for k in range(16):
        middle = ((k % 4 + 0.5) * side + 0.3 * k / 16, (k // 4 + 0.5) * side)
        cv2.circle(fine, tuple(int(finer * m) for m in middle), round(diameter / 2 * finer), 1, -1)
    seen = cv2.resize(cv2.GaussianBlur(fine, (0, 0), finer), (4 * side, 4 * side), interpolation=cv2.INTER_AREA)
    rng = np.random.default_rng(1)
    s = segment((60 + 100 * seen + rng.standard_normal(seen.shape)).astype(np.float32), SegmentationSettings("bright"))
    steep = steepness(s)
    assert np.isfinite(steep).sum() == 16
    along = np.exp(-(np.linspace(0, 1, 101) ** 2) / 2 / (1 + 1 / 12 + 1 / 3)).mean()
    assert float(np.median(steep)) == pytest.approx(along, abs=0.05)


def with_crests(gain, least, size):
    """Bright polygons of contrast 100, and crests of the matrix of 40 to 70 whose edges are soft; area fraction."""
    grey, area = picture((480, 640), seed=0, fraction=0.12, diameter=14.0, noise=2.0)
    noise = np.random.default_rng([6, 0]).standard_normal(grey.shape).astype(np.float32)
    grain = cv2.GaussianBlur(noise, (0, 0), size)
    grain /= grain.std()
    height = 55 + 15 * np.roll(grain, 50, 1).clip(-1.5, 1.5)
    crests = 80 + np.clip(gain * (grain - least), 0, 1) * height
    return np.maximum(grey, np.where(grain > least, crests, 0)), area


@pytest.mark.parametrize("crests", [(1.5, 0.9, 5.0), (2.0, 0.8, 8.0)])
def test_crests_of_the_class_but_softer_than_its_round_ones_may_be_none(crests):
    """They have no grey of their own that would make a class: 0.164 to 0.242 was read, sure, for 0.12."""
    grey, area = with_crests(*crests)
    found, said = measured(grey, carbides="bright")
    value, low, high = found.area_fraction
    assert "unlike_round" in said and value > 1.3 * area and low <= area <= high


@pytest.mark.parametrize("touching", [False, True])
def test_lobed_and_touching_carbides_are_not_unlike_their_round_ones(touching):
    grey, area = picture((480, 640), seed=1, fraction=0.2, diameter=12.0, touching=touching, noise=2.0, spread=0.1)
    found, said = measured(grey)
    _, low, high = found.area_fraction
    assert "unlike_round" not in said and low <= area <= high
