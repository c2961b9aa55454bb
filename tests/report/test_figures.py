"""Each figure shows the numbers it was given, and draws where there are few or none."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from micro.figures.specimens import (
    curves_of_field,
    draw_banding,
    draw_chords,
    draw_edges,
    draw_neighbours,
    draw_rose,
    draw_sizes,
    field_curves,
    half_interval,
    mean_density,
    size_curves,
)
from micro.figures.style import FORMATS, place, rendered, styled
from micro.report.study_figures import draw_chemistry, draw_structure

COLUMNS = ["specimen", "field", "curve", "carbide_class", "x", "x_unit", "y", "y_unit"]
NO_CURVES = pd.DataFrame(columns=COLUMNS)


def curve(name, x, y, specimen="A", field="f1"):
    return pd.DataFrame({"specimen": specimen, "field": field, "curve": name, "x": x, "y": y}).reindex(columns=COLUMNS)


def drawn(draw, columns=1):
    """Axes after drawing; the figure can be written."""
    with styled(columns) as (figure, axes):
        draw(axes)
        assert b"<svg" in rendered(figure, "svg")
    return axes


def sizes(specimen, weighting, share, band):
    low, high = (share - 0.1, share + 0.1) if band else (np.nan, np.nan)
    cells = {"specimen": specimen, "weighting": weighting, "ecd_um": [1.0, 2.0, 4.0], "share": share}
    return pd.DataFrame(cells | {"ci95_low": low, "ci95_high": high})


@pytest.mark.parametrize("names", [["A"], ["A", "B"]])
def test_size_curves_with_their_bands(names):
    """One curve a specimen in percent, by number and by area; a band where the fields give one."""
    share = np.array([0.2, 0.5, 0.9])
    parts = [sizes(name, weighting, share, name == "A") for name in names for weighting in ("number", "area")]
    for axis in drawn(lambda axes: draw_sizes(axes, size_curves(pd.concat(parts))), 2):
        assert [line.get_label() for line in axis.lines] == names
        assert [line.get_ydata().tolist() for line in axis.lines] == [[20, 50, 90]] * len(names)
        band, *without = (collection.get_paths() for collection in axis.collections)
        heights = [path.vertices[:, 1] for path in band]
        assert (min(heights[0]), max(heights[0])) == pytest.approx((10, 100))
        assert not any(len(path.vertices) for paths in without for path in paths)


def test_mean_density_holds_all_of_every_field():
    """Histograms of two widths become one curve whose integral is 1."""
    wide = (np.arange(0.5, 10), np.r_[np.zeros(4), 0.5, 0.5, np.zeros(4)])
    fine = (np.arange(0.25, 10, 0.5), np.r_[np.zeros(8), np.full(4, 0.25), np.zeros(8)])
    grid, density, half = mean_density([wide, fine])
    assert np.trapezoid(density, grid) == pytest.approx(1, rel=0.02)
    assert np.isfinite(half).all()
    assert np.isnan(half_interval(density[None])).all()


def test_curves_are_taken_field_by_field():
    """Those of other specimens, other kinds, and single points stay out."""
    table = pd.concat([
        curve("rose", [1, 2], [3, 4]), curve("rose", [1, 2], [5, 6], field="f2"), curve("rose", [1], [9], field="f3"),
        curve("rose", [1, 2], [7, 8], specimen="B"), curve("neighbour", [1, 2], [7, 8]),
    ])  # fmt: skip
    assert [y.tolist() for _, y in field_curves(table)["A", "rose"]] == [[3, 4], [5, 6]]


def test_chords_of_what_was_found():
    """A line for each direction that has chords, in percent; carbide and matrix side by side."""
    x, share = np.arange(0.5, 10), np.full(10, 0.1)
    found = pd.concat([curve("carbide_chord_along", x, share), curve("matrix_chord_across", x, share)])
    axes = drawn(lambda axes: draw_chords(axes, field_curves(found), ["A", "B"]), 2)
    assert [[line.get_label() for line in axis.lines] for axis in axes] == [["A, along"], ["A, across"]]
    assert np.median(axes[0].lines[0].get_ydata()) == pytest.approx(10)
    assert axes[0].get_legend() is not None
    empty = drawn(lambda axes: draw_chords(axes, {}, ["A"]), 2)
    assert [(len(axis.lines), axis.get_legend()) for axis in empty] == [(0, None), (0, None)]


def test_a_rose_has_its_share_in_each_direction():
    """No preferred direction: every petal ends on the broken circle; the second half repeats the first, turned."""
    angles = np.arange(-85.0, 90, 10)
    (axis,) = drawn(lambda axes: draw_rose(axes, field_curves(curve("rose", angles, np.full(18, 1 / 18))), ["A"]))
    reaches = [np.hypot(*patch.get_path().vertices.T).max() for patch in axis.patches]
    assert len(reaches) == 36
    assert reaches == pytest.approx([1 / 18] * 36)
    assert np.hypot(*axis.lines[0].get_data()) == pytest.approx(1 / 18)
    (bare,) = drawn(lambda axes: draw_rose(axes, field_curves(NO_CURVES), ["A"]))
    assert (len(bare.patches), bare.get_title()) == (0, "A")


def test_neighbours_measured_and_at_random():
    """One panel a specimen; a band from two fields on; a specimen without curves keeps an empty panel."""
    x, share = np.arange(0.5, 10), np.full(10, 0.1)
    found = pd.concat([
        curve(name, x, share, specimen, field)
        for name in ("neighbour", "neighbour_at_random")
        for specimen, field in (("A", "f1"), ("B", "f1"), ("B", "f2"))
    ])  # fmt: skip
    axes = drawn(lambda axes: draw_neighbours(axes, field_curves(found), ["A", "B", "C"]), 3)
    assert [[line.get_label() for line in axis.lines] for axis in axes] == [["measured", "at random"]] * 2 + [[]]
    assert [len(axis.collections) for axis in axes] == [0, 1, 0]
    assert [axis.get_title() for axis in axes] == ["A", "B", "C"]


def test_the_edge_lies_beside_that_of_a_lens():
    """Grey in percent over the distance; the mean of two fields lies half-way, with a band; without curves no line."""
    height = np.linspace(0.1, 0.9, 5)
    lens = np.linspace(1, -1, 5)
    found = pd.concat([
        curve("edge", lens + 0.1, height), curve("edge", lens + 0.3, height, field="f2"),
        curve("edge_of_lens", lens, height), curve("edge_of_lens", lens, height, field="f2"),
    ])  # fmt: skip
    axis, bare = drawn(lambda axes: draw_edges(axes, field_curves(found), ["A", "B"]), 2)
    measured, alone = axis.lines
    assert measured.get_xdata() == pytest.approx(lens + 0.2)
    assert measured.get_ydata() == pytest.approx(100 * height)
    assert alone.get_xdata() == pytest.approx(lens)
    assert len(axis.collections) == 1 and not bare.lines


def test_the_banding_profile_lies_beside_its_place_in_the_field():
    """A bright row at a height of the picture stands at the same height of both axes; in percent."""
    picture = np.zeros((60, 80), np.uint8)
    picture[20] = 255
    across = np.arange(60) * 0.5 + 0.25
    found = pd.concat([
        curve("band_profile", across, picture[:, 0] / 255), curve("band_profile_smoothed", across, np.full(60, 0.2)),
        curve("band_profile_random_low", across, np.full(60, 0.1)),
        curve("band_profile_random_high", across, np.full(60, 0.3)),
    ])  # fmt: skip
    left, right = drawn(lambda axes: draw_banding(axes, picture, 0.5, 0.0, curves_of_field(found)), 2)
    assert left.get_images()[0].get_extent() == [0, 40, 30, 0]
    assert left.get_ylim() == right.get_ylim() == (30, 0)
    raw, smoothed = right.lines
    assert raw.get_ydata()[np.argmax(raw.get_xdata())] == pytest.approx(20.5 * 0.5)
    assert smoothed.get_xdata() == pytest.approx(np.full(60, 20.0))
    assert len(right.collections) == 1


def test_the_legend_of_the_banding_profile_hides_none_of_it():
    """It lies above the axes, whole within the figure."""
    across = np.arange(60) * 0.5 + 0.25
    found = pd.concat([
        curve(f"band_profile{which}", across, np.full(60, share))
        for which, share in (("", 0.2), ("_smoothed", 0.2), ("_random_low", 0.1), ("_random_high", 0.3))
    ])  # fmt: skip
    with styled(2, 2.7) as (figure, axes):
        draw_banding(axes, np.zeros((60, 80), np.uint8), 0.5, 0.0, curves_of_field(found))
        place(figure)
        legend = axes[1].get_legend().get_window_extent()
        assert axes[1].bbox.y1 <= legend.y0 and legend.y1 <= figure.bbox.y1
        assert axes[1].bbox.x0 - axes[0].bbox.x1 > 0 and legend.x1 <= figure.bbox.x1


@pytest.mark.parametrize(("rolling", "shape"), [(90.0, (80, 60)), (30.0, (92, 100))])
def test_a_field_is_turned_until_rolling_is_horizontal(rolling, shape):
    """Rows become those across rolling; a line along rolling lies level, its length kept, at its place across.

    At 30° it is 80·cos 30° + 60·sin 30° = 99.3 px wide: the figure holds all of it, so 100.
    """
    import cv2

    picture = np.full((60, 80), 200, np.uint8)
    turn = np.radians(rolling)
    ends = [(round(40 + s * 22 * np.cos(turn)), round(30 - s * 22 * np.sin(turn))) for s in (-1, 1)]
    cv2.line(picture, ends[0], ends[1], 0, 1)
    left, _ = drawn(lambda axes: draw_banding(axes, picture, 1.0, rolling, {}), 2)
    turned = np.asarray(left.get_images()[0].get_array())
    assert turned.shape == shape
    rows, cols = np.nonzero(turned < 120)
    assert np.ptp(rows) <= 2
    assert np.ptp(cols) == pytest.approx(44, abs=3)
    top = left.get_ylim()[1]
    middle = 40 * np.sin(turn) + 30 * np.cos(turn)
    assert top + rows.mean() + 0.5 == pytest.approx(middle, abs=1)


def test_structure_shows_every_specimen_with_its_intervals():
    """A point at (structure, ratio); where an end of an interval is unknown no bar reaches out."""
    points = pd.DataFrame({
        "specimen": ["A", "B", "A"], "quantity": ["anisotropy_index"] * 2 + ["largest_ecd"],
        "unit": [np.nan, np.nan, "µm"], "x": [1.5, 2.0, 12.0], "x_low": [1.4, np.nan, 10.0],
        "x_high": [1.6, np.nan, 15.0], "ratio": [0.6, 0.4, 0.6], "ratio_low": [0.5, 0.3, 0.5],
        "ratio_high": [0.7, 0.5, 0.7],
    })  # fmt: skip
    first, second = drawn(lambda axes: draw_structure(axes, points), 2)
    assert [tuple(c.lines[0].get_xydata()[0]) for c in first.containers] == [(1.5, 0.6), (2.0, 0.4)]
    bars = [np.ptp(c.lines[2][0].get_segments()[0][:, 0]) for c in first.containers]
    assert bars == pytest.approx([0.2, 0.0])
    assert [t.get_text() for t in first.texts] == ["A", "B"]
    assert first.get_xlabel() == "anisotropy index AI"
    assert second.get_xlabel().endswith(", µm")
    assert first.get_ylabel() == "transverse over longitudinal toughness"
    of_shares = {"quantity": "area_fraction", "x": [0.1, 0.2], "x_low": np.nan, "x_high": np.nan}
    (share,) = drawn(lambda axes: draw_structure(axes, points[:2].assign(**of_shares)))
    assert share.containers[1].lines[0].get_xdata().tolist() == [20.0]
    assert share.get_xlabel().endswith(", %")


def test_chemistry_without_a_measurement_keeps_its_ceiling():
    """The bar of what the composition can hold stands alone where nothing was measured."""
    row = {"specimen": "A", "carbide_class": "all", "ceiling": 0.12, "ceiling_low": 0.11, "ceiling_high": 0.13}
    measured = [{"measured": 0.1, "measured_low": 0.09, "measured_high": 0.11}, dict.fromkeys(
        ("measured", "measured_low", "measured_high"), np.nan
    )]  # fmt: skip
    (axis,) = drawn(lambda axes: draw_chemistry(axes, pd.DataFrame([row | own for own in measured])))
    assert [patch.get_height() for patch in axis.patches] == pytest.approx([12, 2, 12, 2])
    dots = [line.get_ydata().tolist() for line in axis.lines if line.get_marker() == "o"]
    assert dots == [[pytest.approx(10)]]


def draw_as_png(figure):
    """Place everything as it is in the PNG."""
    figure.set_dpi(FORMATS["png"]["dpi"])
    figure.draw_without_rendering()


def written(axis):
    """Texts of an axis that are drawn: ticks beyond its ends are not."""
    ways = ((axis.xaxis, axis.get_xlim()), (axis.yaxis, axis.get_ylim()))
    ticks = [t.label1 for way, (low, high) in ways for t in way.get_major_ticks() if low <= t.get_loc() <= high]
    return [*ticks, axis.title, axis.xaxis.label, axis.yaxis.label, axis.yaxis.get_offset_text()]


@pytest.mark.parametrize("columns", [1, 2, 3, 4])
@pytest.mark.parametrize("highest", [1, 1e-4, 123456])
def test_nothing_written_leaves_the_page_or_lies_on_another(columns, highest):
    """Names of the axes, numbers at the ticks and titles: long ones too, in figures of any number of axes."""
    with styled(columns, 2.5) as (figure, axes):
        for axis in axes:
            axis.plot([0, 1], [0, highest])
            axis.set(xlabel="distance, µm", ylabel="share, %", title="A")
        place(figure)
        draw_as_png(figure)
        boxes = [text.get_window_extent() for axis in axes for text in written(axis) if text.get_text()]
    assert len(boxes) > 6 * columns
    assert all(figure.bbox.contains(*corner) for box in boxes for corner in box.get_points())
    assert not any(one.overlaps(other) for one, other in combinations(boxes, 2))


@pytest.mark.parametrize("columns", [500, 1000, 1340, 2000])
def test_a_picture_of_any_shape_stays_off_the_profile(columns):
    """Its right edge keeps 4 points of room from the numbers of the other axis."""
    with styled(2, 2.7) as (figure, axes):
        draw_banding(axes, np.zeros((1000, columns), np.uint8), 1.0, 0.0, curves_of_field(NO_CURVES))
        place(figure)
        draw_as_png(figure)
        left, right = (axis.get_tightbbox() for axis in axes)
    assert left.x0 > 0
    assert right.x0 - left.x1 > 4 / 72 * figure.dpi
