"""What a matrix makes of sound edges is shown by a twin of the field: its own outlines in its own matrix, under a lens.

Fields come from the second generator, whose truth the program does not know.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import other_generator as other
import pytest

import micro
from micro.segmentation import stages
from micro.segmentation.edge_models import sound_edges
from micro.segmentation.edge_profile import edge_shape
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.sound_twin import beside_twin, quiet_inside, sound_twin

SHAPE, NOISE = (384, 384), 3.0
SOUND, RIMS, DOMES = {}, {"rim": 0.3, "rim_px": 1.5}, {"dome_px": 1.5}


@cache
def drawn(lath, words=(), seed=1, shape=SHAPE):
    return other.picture(
        shape, seed=seed, fraction=0.12, diameter=12.0, noise=NOISE, blur=0.9, lath=lath, **dict(words)
    )


def outlined(grey):
    nothing = np.zeros(grey.shape, bool)
    s, matrix, _ = stages._outlined(grey, SegmentationSettings(), nothing, nothing)
    return quiet_inside(s, matrix.sensor_noise), matrix


@cache
def beyond_twin(lath, words=(), seed=1):
    """Skew of the edges beyond that of sound ones in the same matrix, and its standard uncertainty."""
    s, matrix = outlined(drawn(lath, words, seed)[0])
    seen = beside_twin(s, edge_shape(s), matrix, SegmentationSettings())
    return seen.skew - sound_edges(seen)[0], seen.skew_uncertainty


@cache
def read(lath, words=()):
    """Area fraction of a larger field with its interval, and the true one."""
    grey, truth = drawn(lath, words, seed=2, shape=(512, 512))
    return micro.measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction, truth


@pytest.mark.parametrize("lath", [0.06, 0.1])
@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.study)])
def test_laths_skew_the_edges_of_the_twin_as_much(lath, seed):
    """Of laths of 10 % the mean edge has a skew of 0.3, which under a lens alone would be a rim of 40 %."""
    skew, uncertainty = beyond_twin(lath, seed=seed)
    assert abs(skew) < 2 * uncertainty < 0.25


@pytest.mark.parametrize(("words", "sign"), [(RIMS, 1), (DOMES, -1)], ids=["rims", "domes"])
@pytest.mark.parametrize("lath", [0.06, 0.1])
def test_rims_and_domes_stand_out_against_it(lath, words, sign):
    """A bright rim puts light outside the edge, a dome takes some inside it: by 0.05 at the least."""
    sound, _ = beyond_twin(lath)
    etched, _ = beyond_twin(lath, tuple(words.items()))
    assert sign * (etched - sound) > 0.05


@pytest.mark.parametrize("words", [RIMS, DOMES], ids=["rims", "domes"])
@pytest.mark.parametrize("lath", [0.06, 0.1])
def test_the_interval_in_texture_holds_what_rims_and_domes_change(lath, words):
    """They were read 14 % off, sure to 1 to 5 %; sound carbides keep an interval of less than a tenth."""
    (_, low, high), truth = read(lath, tuple(words.items()))
    assert low <= truth <= high
    (value, low, high), truth = read(lath)
    assert low <= truth <= high and value == pytest.approx(truth, rel=0.02)
    assert (high - low) / 2 < 0.1 * value


def test_the_twin_holds_the_outlines_and_the_matrix_of_its_field():
    """As many carbides, as large, in a matrix of the same scatter: only where the texture lies is another."""
    s, matrix = outlined(drawn(0.1)[0])
    twin = sound_twin(s, matrix, SegmentationSettings())
    assert twin.count == pytest.approx(s.count, rel=0.1)
    assert np.count_nonzero(twin.labels) == pytest.approx(np.count_nonzero(s.labels), rel=0.03)
    bare = (s.basins == 0) & (twin.basins == 0)
    assert twin.contrast[bare].std() == pytest.approx(s.contrast[bare].std(), rel=0.1)
    assert abs(np.corrcoef(twin.contrast[bare], s.contrast[bare])[0, 1]) < 0.1


def test_carbides_of_two_kinds_keep_the_side_of_their_own():
    """Bright ones beside dark ones: those too small to show their level take it from their kind, not from the other."""
    grey, _ = other.picture(SHAPE, seed=1, fraction=0.12, diameter=6.0, noise=NOISE, blur=0.9, lath=0.06)
    mirrored = np.where(np.arange(SHAPE[1]) < SHAPE[1] // 2, grey, 2 * np.median(grey) - grey)
    s, matrix = outlined(np.clip(mirrored, 0, 255).astype(np.float32))
    assert len(s.classes) == 2
    twin = sound_twin(s, matrix, SegmentationSettings())
    light = np.bincount(s.labels.ravel(), twin.contrast.ravel())[1:]
    contrast = np.array([c.contrast for c in s.classes])[s.class_index]
    assert (light * contrast > 0).mean() > 0.99


def test_noise_inside_is_that_of_the_camera():
    """Laths end at the carbides: deep inside, the drawn noise is left, not the scatter of the matrix."""
    grey, _ = drawn(0.1)
    s, matrix = outlined(grey)
    assert s.noise == pytest.approx(NOISE, rel=0.1)
    assert matrix.noise > 1.5 * NOISE


def test_a_matrix_without_room_has_no_twin():
    """Where carbides leave no matrix to move between them, nothing is told by it."""
    s, matrix = outlined(drawn(0.1)[0])
    crowded = replace(s, excluded=np.indices(SHAPE).sum(axis=0) % 6 > 0)
    assert sound_twin(crowded, matrix, SegmentationSettings()) is None


@pytest.mark.parametrize("share", [0.05, 0.08])
def test_mottled_carbides_are_not_domed(share):
    """Grey that varies inside carbides flattens the top of the edge as a dome does: by a skew of -0.07 unless known."""
    grey, truth = drawn(0.0)
    s, _ = outlined(grey)
    grain = other.blurred(np.random.default_rng(0).standard_normal(SHAPE), 1.5)
    cover = np.clip(s.contrast / s.classes[0].contrast, 0, 1)
    mottled = (grey + 100 * share * cover * grain / grain.std()).astype(np.float32)
    value, low, high = micro.measure(mottled, um_per_px=0.2, rolling_deg=0).area_fraction
    assert value == pytest.approx(truth, rel=0.02) and low <= truth <= high
    shape = edge_shape(outlined(mottled)[0])
    assert not shape.even_noise
    assert abs(shape.skew - sound_edges(shape)[0]) < 3 * shape.skew_uncertainty
