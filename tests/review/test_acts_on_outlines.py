"""Acts change outlines as a person's hand on the mask would, pixel by pixel, and area by plain sums."""

import numpy as np
import pytest
import shapely

from micro.field import measure
from micro.issues import flag_names
from micro.review.acts import Act, FieldActs
from micro.review.apply import apply_reviews, outlines_sha256

SHAPE = (240, 320)
X, Y = np.meshgrid(np.arange(SHAPE[1]) + 0.5, np.arange(SHAPE[0]) + 0.5)


def acts_on(found, *acts):
    review = FieldActs("review.json", "KM", "A", "f", "", outlines_sha256(found.labels), acts)
    return apply_reviews(found.segmentation, [review], "")


def largest(found, k=0):
    """Return the number of the carbide with the k-th most pixels that lies clear of the frame."""
    inner = found.labels.copy()
    edge = np.unique(np.concatenate([inner[0], inner[-1], inner[:, 0], inner[:, -1]]))
    pixels = np.bincount(inner.ravel())
    pixels[np.append(edge, 0)] = 0
    return int(np.argsort(-pixels)[k])


def same_regions(a, b):
    """Whether two label pictures part their pixels alike, whatever the numbers."""
    pairs = np.unique(np.stack([a.ravel(), b.ravel()]), axis=1)
    return len(np.unique(pairs[0])) == len(np.unique(pairs[1])) == pairs.shape[1] and np.array_equal(a > 0, b > 0)


def test_not_carbide_takes_one_carbide_away_and_nothing_else(found, tools):
    """Its pixels become matrix that stays in the analysed area."""
    gone = largest(found)
    after, told = acts_on(found, Act("not_carbide", (tools.middle_of(found.labels, gone),)))
    assert told.acts == {"not_carbide": 1}
    assert same_regions(after.labels, np.where(found.labels == gone, 0, found.labels))
    assert after.analysed_px == found.segmentation.analysed_px
    expected = np.delete(found.segmentation.contrast_area_px, gone - 1)
    assert after.contrast_area_px == pytest.approx(expected, rel=1e-12)


def test_a_cut_parts_a_carbide_along_the_line_and_keeps_its_area(found, tools):
    """Pixels left and right of a vertical line become two carbides; their areas go by their pixels."""
    number = largest(found)
    x, _ = tools.middle_of(found.labels, number)
    after, told = acts_on(found, Act("cut", ((x - 0.2, 0.0), (x - 0.2, float(SHAPE[0])))))
    assert told.acts == {"cut": 1}
    here, left = found.labels == number, x - 0.2 > X
    pixels = np.array([(here & left).sum(), (here & ~left).sum()])
    for side, count in zip((left, ~left), pixels, strict=True):
        own = np.unique(after.labels[here & side])
        assert len(own) == 1
        assert after.outline_px[own[0] - 1] == count
        share = found.segmentation.contrast_area_px[number - 1] * count / pixels.sum()
        assert after.contrast_area_px[own[0] - 1] == pytest.approx(share, rel=1e-12)
    assert after.contrast_area_px.sum() == pytest.approx(found.segmentation.contrast_area_px.sum(), rel=1e-12)


def test_joining_adds_areas(found, tools):
    """Two carbides become one with the pixels and the area of both."""
    a, b = largest(found), largest(found, 1)
    after, _ = acts_on(found, Act("join", (tools.middle_of(found.labels, a), tools.middle_of(found.labels, b))))
    assert same_regions(after.labels, np.where(found.labels == b, a, found.labels))
    area = found.segmentation.contrast_area_px
    number = after.labels[found.labels == a][0]
    assert after.contrast_area_px[number - 1] == pytest.approx(area[a - 1] + area[b - 1], rel=1e-12)


def test_a_drawn_carbide_has_the_pixels_inside_that_were_matrix(found, tools):
    """It takes nothing from its neighbours, and its area is that of its pixels."""
    points = ((40.2, 30.3), (90.7, 35.1), (80.4, 80.9), (45.0, 75.5))
    after, _ = acts_on(found, Act("draw", points))
    drawn = shapely.contains_xy(shapely.Polygon(points), X, Y) & (found.labels == 0)
    expected = np.where(drawn, found.labels.max() + 1, found.labels)
    assert same_regions(after.labels, expected)
    assert after.contrast_area_px[after.labels[drawn][0] - 1] == drawn.sum()
    assert "by_hand" in flag_names(int(after.flag_words[after.labels[drawn][0] - 1]))


def test_what_is_left_out_is_neither_carbide_nor_analysed(found, tools):
    """A carbide that reaches in keeps the share of its area that lies outside."""
    number = largest(found)
    x = tools.middle_of(found.labels, number)[0] + 0.2
    points = ((0.0, 0.0), (x, 0.0), (x, float(SHAPE[0])), (0.0, float(SHAPE[0])))
    after, _ = acts_on(found, Act("leave_out", points))
    gone = x > X
    assert np.array_equal(after.excluded, found.segmentation.excluded | gone)
    assert same_regions(after.labels, np.where(gone, 0, found.labels))
    left = after.labels[(found.labels == number) & ~gone][0]
    share = ((found.labels == number) & ~gone).sum() / (found.labels == number).sum()
    assert after.contrast_area_px[left - 1] == pytest.approx(
        share * found.segmentation.contrast_area_px[number - 1], rel=1e-12
    )


def test_acts_act_on_what_those_before_them_left(found, tools):
    """A carbide cut in two loses only the half that is then called none; one joined and removed is gone as a whole."""
    number = largest(found)
    x, y = tools.middle_of(found.labels, number)
    after, told = acts_on(
        found, Act("cut", ((x + 0.2, -1.0), (x + 0.2, 300.0))), Act("not_carbide", ((x, y),)),
    )  # fmt: skip
    assert told.acts == {"cut": 1, "not_carbide": 1}
    expected = np.where((found.labels == number) & (x + 0.2 > X), 0, found.labels)
    assert np.array_equal(after.labels > 0, expected > 0)


def test_acts_that_meet_nothing_are_counted_and_change_nothing(found, tools):
    """In the matrix there is no carbide to remove, nor beyond the picture; a line through matrix cuts nothing."""
    matrix = np.argwhere(found.labels == 0)[5000]
    nowhere = (float(matrix[1]) + 0.5, float(matrix[0]) + 0.5)
    after, told = acts_on(
        found, Act("not_carbide", (nowhere,)), Act("not_carbide", ((-5.0, 1e6),)), Act("join", (nowhere, nowhere)),
        Act("draw", ((-9.0, -9.0), (-5.0, -9.0), (-5.0, -5.0))), Act("cut", ((-3.0, -3.0), (-3.0, 400.0))),
    )  # fmt: skip
    assert (told.no_effect, told.acts) == (5, {})
    assert after is found.segmentation


def test_acts_on_another_picture_or_other_outlines_are_not_applied(found, tools):
    """Stale acts are named with their file, and not applied by guess."""
    act = Act("not_carbide", (tools.middle_of(found.labels, 1),))
    other = FieldActs("a.json", "KM", "A", "f", "f" * 64, outlines_sha256(found.labels), (act, act))
    old = FieldActs("b.json", "KM", "A", "f", "", "0" * 64, (act,))
    after, told = apply_reviews(found.segmentation, [other, old], "")
    assert [(s.source, s.acts, s.what) for s in told.stale] == [("a.json", 2, "picture"), ("b.json", 1, "outlines")]
    assert after is found.segmentation


def test_a_second_review_starts_where_the_first_left(found, tools):
    """Files are applied one after the other, each to the outlines it was made on."""
    first = FieldActs(
        "a.json",
        "KM",
        "A",
        "f",
        "",
        outlines_sha256(found.labels),
        (Act("not_carbide", (tools.middle_of(found.labels, 1),)),),
    )
    between, _ = apply_reviews(found.segmentation, [first], "")
    second = FieldActs(
        "b.json", "LN", "A", "f", "", outlines_sha256(between.labels),
        (Act("not_carbide", (tools.middle_of(between.labels, 1),)),),
    )  # fmt: skip
    after, told = apply_reviews(found.segmentation, [first, second], "")
    assert told.who == ("KM", "LN")
    assert told.acts == {"not_carbide": 2}
    assert after.count == found.segmentation.count - 2


def test_all_numbers_of_the_field_follow(tools):
    """Without any carbide left, and with one drawn by hand, the field's numbers are those of the mask."""
    grey = tools.grey_field(7).astype(np.float32)
    plain = measure(grey, um_per_px=tools.um_per_px, rolling_deg=0, carbides="bright")
    every = tuple(Act("not_carbide", (tools.middle_of(plain.labels, n),)) for n in range(1, plain.labels.max() + 1))
    square = Act("draw", ((50.0, 40.0), (90.0, 40.0), (90.0, 70.0), (50.0, 70.0)))
    key = outlines_sha256(plain.labels)
    none = measure(
        grey, um_per_px=tools.um_per_px, rolling_deg=0, carbides="bright",
        review=[FieldActs("r", "KM", "A", "f", "", key, every)],
    )  # fmt: skip
    assert none.area_fraction[0] == 0
    assert len(none.particles) == 0
    one = measure(
        grey, um_per_px=tools.um_per_px, rolling_deg=0, carbides="bright",
        review=[FieldActs("r", "KM", "A", "f", "", key, (*every, square))],
    )  # fmt: skip
    assert one.area_fraction[0] == pytest.approx(40 * 30 / np.prod(SHAPE), rel=1e-12)
    # Drawn one pixel too wide or too narrow all along its 136 border pixels is one standard uncertainty.
    low, high = one.area_fraction[1:]
    assert one.area_fraction[0] - low > 1.95 * 136 / np.prod(SHAPE)
    assert high - one.area_fraction[0] > 1.95 * 136 / np.prod(SHAPE)
    assert one.particles["x_um"].iloc[0] == pytest.approx(70 * tools.um_per_px)
    assert one.reviewed.area_fraction_before == pytest.approx(plain.area_fraction[0], rel=1e-12)
    assert "reviewed by KM" in one.field["message"].iloc[0]


def test_acts_on_a_part_of_a_mosaic_count_from_the_corner_of_its_core(found, tools):
    """The page shows the core; the frame about it, which the part shares with its neighbours, is left as it is."""
    core = (slice(40, 200), slice(60, 300))
    seen = found.labels[core]
    number = int(np.bincount(seen[30:-30, 30:-30].ravel())[1:].argmax()) + 1
    square = ((100.0, 100.0), (400.0, 100.0), (400.0, 130.0), (100.0, 130.0))
    acts = (Act("not_carbide", (tools.middle_of(seen, number),)), Act("leave_out", square))
    review = FieldActs("r", "KM", "A", "f", "", outlines_sha256(seen), acts)
    after, told = apply_reviews(found.segmentation, [review], "", core)
    assert told.acts == {"not_carbide": 1, "leave_out": 1}
    gone = np.zeros(SHAPE, bool)
    gone[140:170, 160:300] = True
    assert np.array_equal(after.excluded, found.segmentation.excluded | gone)
    assert np.array_equal(after.labels > 0, (found.labels > 0) & (found.labels != number) & ~gone)
