"""Edges that shine, as under an electron beam: what they add or take is told by how far the grey overshoots."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy.special import ndtr

import micro
from micro.phantom.etch import Camera, Etch, etched_field
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene
from micro.segmentation import bright_edges

SHAPE = (320, 320)


@lru_cache(maxsize=20)
def field(dark=False, seed=1, camera=None, ecd=12.0, fraction=0.15, **etch):
    """Measure carbides under a sharp lens, only to be read; the true area fraction beside it."""
    matrix, carbide = (170, 90) if dark else (80, 160)
    optics = Optics(matrix, (carbide,), blur_px=0.8, noise=3.0)
    scene = Scene((Population(fraction, ecd, spread=0.3, aspect=1.4),), optics=optics)
    grey, truth = etched_field(scene, SHAPE, Etch(**etch), camera or Camera(), np.random.default_rng([11, seed]))
    return micro.measure(grey, um_per_px=0.2, rolling_deg=0), float(truth.area_fraction.sum())


def crest(sign, share, inside, outside):
    """Bands along both sides of the outlines, brighter by a share of the contrast: 1 for bright carbides, else -1."""
    return {
        "rim": sign * share, "rim_px": outside, "inner_rim": sign * share, "inner_rim_px": inside,
    }  # fmt: skip


def kinds(result):
    return {one.kind for one in result.issues}


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize(("share", "inside", "outside"), [(0.3, 1.5, 1.5), (0.6, 1.0, 1.0), (0.6, 1.5, 1.5)])
@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.study)])
def test_the_interval_holds_the_area_where_edges_shine(dark, share, inside, outside, seed):
    """By light alone bright carbides read a sixth to a half too much, dark ones as much too little."""
    found, truth = field(dark, seed, **crest(-1 if dark else 1, share, inside, outside))
    value, low, high = found.area_fraction
    assert "bright_edges" in kinds(found)
    assert low <= truth <= high
    s = found.segmentation
    by_light = float(s.contrast_area_px.sum()) / s.verdict.factor / s.analysed_px
    assert abs(by_light / truth - 1) > 0.12
    assert abs(value - truth) < 0.6 * abs(by_light - truth)


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize(
    ("camera", "etch"),
    [
        (Camera(), {}),
        (Camera(), {"lath": 0.1}),
        (Camera(), {"relief": 0.2}),
        (Camera(), {"grey_spread": 0.1}),
        (Camera(), {"holes": 0.05}),
        (Camera(sharpening=1.0), {}),
        (Camera(jpeg=80), {}),
        (Camera(median_px=3), {}),
    ],
)
def test_what_overshoots_on_both_sides_or_not_at_all_is_no_bright_edge(dark, camera, etch):
    found, _ = field(dark, camera=camera, **etch)
    assert "bright_edges" not in kinds(found)


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize(("relief", "kind"), [(0.2, "lit_from_one_side"), (0.4, "bright_edges")])
def test_relief_is_held_whether_it_is_told_from_bright_edges_or_not(dark, relief, kind):
    """Lit edges alone overshoot by 4 % at relief of 40 %, the others hardly."""
    found, truth = field(dark, camera=Camera(), relief=relief)
    _, low, high = found.area_fraction
    assert kind in kinds(found) and low <= truth <= high


@pytest.mark.parametrize(("fraction", "told"), [(0.02, False), (0.15, True)])
def test_few_carbides_tell_no_bright_edges(fraction, told):
    """Of a few, outlines that hold two kinds of carbide would look so: here seven, and fifty, have crests."""
    found, _ = field(ecd=18.0, fraction=fraction, **crest(1, 0.5, 1.0, 1.0))
    assert 4 < found.segmentation.count < 10 or told
    assert ("bright_edges" in kinds(found)) == told


@pytest.mark.parametrize("blur", [0.7, 1.2])
@pytest.mark.parametrize(("width", "light"), [(0.4, 0.8), (1.0, 1.2), (1.6, 2.0)])
def test_a_straight_edge_under_a_lens_gives_its_light_back(blur, width, light):
    """Φ(-d/σ) and a normal band of that light on it, seen from the outermost point of half height; none is a model."""
    at = np.linspace(-10, 10, 4001)
    band = np.exp(-(at**2) / 2 / (blur**2 + width**2)) / np.sqrt(2 * np.pi * (blur**2 + width**2))
    height = ndtr(-at / blur) + light * band
    moved = at[np.flatnonzero(height > 0.5)[-1]]
    given, where, weight = bright_edges._weighed(np.interp(bright_edges.AT + moved, at, height))
    assert float(weight @ given) == pytest.approx(light, abs=0.3)
    assert float(weight @ where) == pytest.approx(moved, abs=0.3)
