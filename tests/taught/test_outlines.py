"""Outlines are the connected regions that scikit-image finds where carbide is likelier than matrix."""

import numpy as np
from skimage.measure import label

from micro.field import measure
from micro.image.micrograph import Micrograph
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.scale.scale import Scale
from micro.taught.outlines import draw_outlines, named

SHARP = 0.0


def blots(rng, shape=(120, 170)):
    import cv2

    plane = cv2.GaussianBlur(rng.normal(size=shape).astype(np.float32), (0, 0), 3)
    return (0.4 + 0.2 * plane / plane.std()).clip(0, 1).astype(np.float32)


def test_regions_are_scikit_images():
    """Same pixels and same regions as scikit-image's labelling of the thresholded map, small ones aside."""
    probability = blots(np.random.default_rng(1))
    found = draw_outlines(probability[None], 0.0, 1)
    outside = label(probability > 0.5, connectivity=2)
    assert ((found.labels > 0) == (outside > 0)).all()
    pairs = np.unique(np.stack([found.labels.ravel(), outside.ravel()]), axis=1)
    assert pairs.shape[1] == outside.max() + 1 == found.labels.max() + 1


def test_specks_go_and_holes_that_are_seen_stay():
    probability = np.zeros((1, 60, 60), np.float32)
    probability[0, 10:40, 10:40] = 1
    probability[0, 20:25, 20:25] = 0  # 25 px: a hole that is seen
    probability[0, 30:32, 30:32] = 0  # 4 px: one that is not
    probability[0, 50:53, 50:53] = 1  # 9 px: too small
    assert draw_outlines(probability, SHARP).labels.astype(bool).sum() == 900 - 25


def test_a_bay_at_the_rim_of_the_field_is_no_hole():
    probability = np.zeros((1, 40, 40), np.float32)
    probability[0, :20] = 1
    probability[0, :2, 5:10] = 0  # 10 px: a hole of that size would be filled
    assert (draw_outlines(probability, SHARP).labels > 0).sum() == 800 - 10


def test_classes_part_where_the_map_tells_them_apart():
    probability = np.zeros((2, 40, 60), np.float32)
    probability[0, 5:25, 5:20] = 0.9
    probability[1, 5:25, 20:45] = 0.8
    probability[0, 10:12, 30:32] = 0.9  # a few pixels of another class within a carbide are no carbide
    probability[1, 10:12, 30:32] = 0.1
    found = draw_outlines(probability, SHARP)
    assert found.class_index.tolist() == [0, 1]
    assert [(found.labels == k).sum() for k in (1, 2)] == [300, 500]


def test_regions_are_numbered_along_the_rows():
    found = draw_outlines(blots(np.random.default_rng(3))[None])
    flat = found.labels.ravel()
    _, first = np.unique(flat[flat > 0], return_index=True)
    assert (np.diff(first) > 0).all()
    assert found.labels.max() == len(found.class_index)


def test_nothing_found_is_an_empty_table():
    found = draw_outlines(np.full((2, 40, 40), 0.2, np.float32))
    assert found.labels.max() == 0
    assert found.labels.dtype == np.int32
    assert len(found.class_index) == 0


def test_a_soft_field_is_soft_whoever_draws_its_outlines():
    """A map does not sharpen the picture: what was too small for its blur stays unresolved, and the doubt stands."""
    optics = Optics(100, (200,), blur_px=4.0, noise=2.0, shading=0.0)
    grey, truth = make_field(Scene((Population(0.1, 14.0),), optics=optics), (600, 700), np.random.default_rng(2))
    picture = Micrograph(grey, 255.0, scale=Scale(0.1, None, "given"), rolling_deg=0.0)
    taught = named(draw_outlines((truth.coverage.labels > 0).astype(np.float32)[None]), ("carbide",))
    own, by_map = measure(picture), measure(picture, taught=taught)
    resolved = [found.field["resolved_diameter_um"].iloc[0] for found in (own, by_map)]
    assert resolved[1] == resolved[0] > 10 * 0.1
    assert "soft_focus" in [one.kind for one in by_map.issues]
