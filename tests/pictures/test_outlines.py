"""The outline picture shows the whole file: what was measured, what was cut by the frame, what was left out."""

from dataclasses import replace

import numpy as np
import pytest

from micro.micrograph import Micrograph
from micro.phantom import Optics, Population, Scene, make_field
from micro.pictures.outlines import CLASS_COLOURS, HATCH, HATCH_STEP, display_range, draw_outlines, to_display
from micro.segmentation import SegmentationSettings, segment

SHAPE = (160, 220)


@pytest.fixture(scope="module")
def field():
    """Micrograph with a data bar, and its segmentation into two classes."""
    scene = Scene(
        (Population(0.08, 14.0), Population(0.05, 12.0, carbide_class=1)),
        class_names=("grey", "white"),
        optics=Optics(80, (140, 220), noise=2.0, shading=0.0),
    )
    grey, _ = make_field(scene, SHAPE, np.random.default_rng(4))
    bar = np.full((20, SHAPE[1]), 10.0, np.float32)
    return Micrograph(grey, data_bar=bar), segment(grey, SegmentationSettings(carbides="bright"))


def pixels_of(picture, colour):
    return (picture == np.array(colour, np.uint8)).all(axis=2)


def test_every_carbide_has_the_colour_of_its_class(field):
    """The rim of each carbide carries its class's colour and no other; matrix carries none."""
    micrograph, found = field
    assert len(found.classes) == 2
    picture = draw_outlines(micrograph, found)[: SHAPE[0]]
    for label in range(1, found.count + 1):
        own = found.labels == label
        shown = [pixels_of(picture, colour)[own].any() for colour in CLASS_COLOURS[:2]]
        assert shown == [found.class_index[label - 1] == index for index in (0, 1)]
    assert not any(pixels_of(picture, colour)[found.labels == 0].any() for colour in CLASS_COLOURS)


def test_outlines_lie_on_the_rim_and_leave_the_inside_to_be_seen(field):
    """A pixel whose four neighbours are of the same carbide keeps its grey."""
    micrograph, found = field
    picture = draw_outlines(micrograph, found)[: SHAPE[0]]
    bare = to_display(micrograph.grey, *display_range(micrograph.grey))
    labels = np.pad(found.labels, 1, mode="edge")
    sides = [labels[:-2, 1:-1], labels[2:, 1:-1], labels[1:-1, :-2], labels[1:-1, 2:]]
    inside = np.all([side == found.labels for side in sides], axis=0) & ~found.excluded
    np.testing.assert_array_equal(picture[inside], bare[inside])


def test_carbides_that_the_frame_cuts_are_dotted(field):
    """Half of their rim is drawn, all of the rim of the others."""
    micrograph, found = field
    drawn = np.any([pixels_of(draw_outlines(micrograph, found)[: SHAPE[0]], c) for c in CLASS_COLOURS], axis=0)
    edge = np.unique(np.concatenate([found.labels[0], found.labels[-1], found.labels[:, 0], found.labels[:, -1]]))
    labels = np.pad(found.labels, 1, mode="edge")
    sides = [labels[:-2, 1:-1], labels[2:, 1:-1], labels[1:-1, :-2], labels[1:-1, 2:]]
    rim = np.any([side != found.labels for side in sides], axis=0) & (found.labels > 0)
    cut = np.isin(found.labels, edge[edge > 0])
    assert drawn[rim & ~cut].all()
    assert drawn[rim & cut].mean() == pytest.approx(0.5, abs=0.1)


def test_what_was_left_out_is_hatched(field):
    """The data bar stands below the field and is hatched like the excluded part; one diagonal in eight is drawn."""
    micrograph, found = field
    excluded = np.zeros(SHAPE, bool)
    excluded[:40, :48] = True
    picture = draw_outlines(micrograph, replace(found, excluded=excluded))
    assert picture.shape == (SHAPE[0] + 20, SHAPE[1], 3)
    hatch = pixels_of(picture, HATCH)
    for part in (hatch[:40, :48], hatch[SHAPE[0] :, :216]):
        assert part.mean() == pytest.approx(1 / HATCH_STEP, rel=0.01)
    assert not hatch[40 : SHAPE[0]].any()


def test_grey_levels_for_the_eye():
    """The range holds all but two in a thousand pixels at either end; a constant picture is no division by zero."""
    grey = np.arange(10_000, dtype=np.float32).reshape(100, 100)
    low, high = display_range(grey)
    shown = to_display(grey, low, high)[..., 0]
    assert (grey < low).mean() == pytest.approx(0.002, abs=1e-4)
    assert (grey > high).mean() == pytest.approx(0.002, abs=1e-4)
    assert (shown.min(), shown.max()) == (0, 255)
    assert np.all(np.diff(shown.ravel().astype(int)) >= 0)
    constant = np.full((20, 20), 7.0, np.float32)
    assert np.all(to_display(constant, *display_range(constant)) == 0)
