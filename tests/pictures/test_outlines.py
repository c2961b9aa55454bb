"""The outline picture shows the whole file: what was measured, what was cut by the frame, what was left out."""

from dataclasses import replace

import numpy as np
import pytest

from micro.image.micrograph import Micrograph
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.pictures.outlines import (
    CLASS_COLOURS,
    HATCH,
    HATCH_STEP,
    class_colours,
    display_range,
    draw_outlines,
    greys_shown,
    round_length_um,
)
from micro.scale.scale import Scale
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.stages import segment

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


def beside(own):
    """Pixels outside a carbide that share a side with it."""
    inside = np.pad(own, 1)
    near = inside[:-2, 1:-1] | inside[2:, 1:-1] | inside[1:-1, :-2] | inside[1:-1, 2:]
    return near & ~own


def test_every_carbide_has_the_colour_of_its_class(field):
    """The pixels about each carbide carry its class's colour unless a neighbour's line runs there."""
    micrograph, found = field
    assert len(found.classes) == 2
    picture = draw_outlines(micrograph, found)[: SHAPE[0]]
    for label in range(1, found.count + 1):
        about = beside(found.labels == label)
        others = np.any([beside(found.labels == k) for k in range(1, found.count + 1) if k != label], axis=0)
        own, other = found.class_index[label - 1], 1 - found.class_index[label - 1]
        assert pixels_of(picture, CLASS_COLOURS[own])[about].any()
        assert not pixels_of(picture, CLASS_COLOURS[other])[about & ~others].any()


def test_outlines_leave_the_carbide_to_be_seen(field):
    """Lines run on the matrix: a carbide's pixels keep their grey, but where one touches another."""
    micrograph, found = field
    picture = draw_outlines(micrograph, found)[: SHAPE[0]]
    bare = np.repeat(greys_shown(micrograph.grey, *display_range(micrograph.grey))[..., None], 3, axis=2)
    labels = np.pad(found.labels, 1)
    sides = [labels[:-2, 1:-1], labels[2:, 1:-1], labels[1:-1, :-2], labels[1:-1, 2:]]
    alone = np.all([side <= found.labels for side in sides], axis=0) & (found.labels > 0) & ~found.excluded
    assert alone.sum() > 0.95 * (found.labels > 0).sum()
    np.testing.assert_array_equal(picture[alone], bare[alone])


def test_carbides_that_the_frame_cuts_are_dotted(field):
    """Half of the line about them is drawn, all of the line about the others."""
    micrograph, found = field
    drawn = np.any([pixels_of(draw_outlines(micrograph, found)[: SHAPE[0]], c) for c in CLASS_COLOURS], axis=0)
    edge = np.unique(np.concatenate([found.labels[0], found.labels[-1], found.labels[:, 0], found.labels[:, -1]]))
    cut = np.isin(found.labels, edge[edge > 0])
    whole = beside((found.labels > 0) & ~cut) & (found.labels == 0)
    dotted = beside(cut) & (found.labels == 0) & ~whole
    assert drawn[whole].all()
    assert drawn[dotted].mean() == pytest.approx(0.5, abs=0.1)


def test_what_was_left_out_is_hatched_within_a_border(field):
    """The data bar stands below the field and is hatched like the excluded part; one diagonal in eight is drawn."""
    micrograph, found = field
    excluded = np.zeros(SHAPE, bool)
    excluded[:42, :50] = True
    picture = draw_outlines(micrograph, replace(found, excluded=excluded))
    hatch = pixels_of(picture, HATCH)
    for top, bottom, left, right in ((0, 42, 0, 50), (SHAPE[0], SHAPE[0] + 20, 0, SHAPE[1])):
        part = hatch[top:bottom, left:right]
        assert part[0].all()
        assert part[-1].all()
        assert part[:, 0].all()
        assert part[1:-1, 1:-1].mean() == pytest.approx(1 / HATCH_STEP, rel=0.05)
    assert not hatch[42 : SHAPE[0]].any()


def test_the_strip_below_explains_the_lines_and_hides_nothing(field):
    """Colours of both classes and the hatch stand on white below the file, the field's rows above are all there."""
    micrograph, found = field
    scaled = replace(micrograph, scale=Scale(0.5, None, "test"))
    picture = draw_outlines(scaled, found)
    strip = picture[SHAPE[0] + 20 :]
    assert len(strip) > 20
    for colour in (*CLASS_COLOURS[:2], HATCH):
        assert pixels_of(strip, colour).any()
    run = pixels_of(strip, (0, 0, 0)).sum(axis=1).max()
    assert run * 0.5 == round_length_um(SHAPE[1] * 0.5)
    np.testing.assert_array_equal(picture[: SHAPE[0]], draw_outlines(micrograph, found)[: SHAPE[0]])


def test_a_class_keeps_its_colour_over_a_study():
    """MC alone in one specimen, second in another, has one colour; an unnamed class has none of theirs."""
    study = ("M7C3", "MC")
    assert class_colours(("MC",), study) == class_colours(("M7C3", "MC"), study)[1:]
    assert class_colours(("MC", "M7C3"), study) == class_colours(study, study)[::-1]
    assert class_colours(("carbide",), study)[0] not in class_colours(study, study)


def test_classes_of_a_picture_differ_in_colour_even_in_a_study_of_many_names():
    """With more names than colours the classes of one picture still have each its own."""
    study = tuple(f"class {k}" for k in range(len(CLASS_COLOURS) + 1))
    first, last = class_colours((study[0], study[-1]), study)
    assert first != last


def test_outlines_and_legend_agree_on_the_colours_of_the_study(field):
    """Lines and legend hold the colours of the picture's own classes, by the study's order, and no other's."""
    micrograph, found = field
    names = tuple(c.name for c in found.classes)
    picture = draw_outlines(micrograph, found, ("other", *names[::-1]))
    for part in (picture[: SHAPE[0]], picture[SHAPE[0] + 20 :]):
        shown = [k for k, colour in enumerate(CLASS_COLOURS) if pixels_of(part, colour).any()]
        assert shown == [1, 2]
    own = found.labels == 1 + int(np.flatnonzero(found.class_index == 0)[0])
    assert pixels_of(picture[: SHAPE[0]], CLASS_COLOURS[2])[beside(own)].any()


def test_grey_levels_for_the_eye():
    """The range holds all but two in a thousand pixels at either end; a constant picture is no division by zero."""
    grey = np.arange(10_000, dtype=np.float32).reshape(100, 100)
    low, high = display_range(grey)
    shown = greys_shown(grey, low, high)
    assert (grey < low).mean() == pytest.approx(0.002, abs=1e-4)
    assert (grey > high).mean() == pytest.approx(0.002, abs=1e-4)
    assert (shown.min(), shown.max()) == (0, 255)
    assert np.all(np.diff(shown.ravel().astype(int)) >= 0)
    constant = np.full((20, 20), 7.0, np.float32)
    assert np.all(greys_shown(constant, *display_range(constant)) == 0)
