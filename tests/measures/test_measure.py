"""The row of a field: closed forms through the whole room, and what it says where nothing can be told."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from micro.geometry.runs import find_runs
from micro.measures.intercepts import scan
from micro.measures.particles import measure_particles
from micro.measures.totals import PROFILE_POINTS, _coarser, measure_field, rolling_direction
from micro.phantom.scenes import place
from micro.phantom.shapes import cover, shapes
from micro.segmentation.segmentation import CarbideClass, Segmentation
from micro.segmentation.uncertainty import area_fraction_uncertainty
from micro.tables.columns import FIELDS, PARTICLES, names
from micro.tables.units import curves_to_um, to_um

SCALE = 0.5


def drawn(ecd, aspect, angle, shape=(600, 800), count=150, seed=1):
    """Segmentation of ideal carbides, light and outline without error, and its picture."""
    rng = np.random.default_rng(seed)
    outlines = shapes(np.full(count, ecd), rng, aspect=np.full(count, aspect), angle_deg=angle)
    labels = cover(place(outlines, shape, None, rng, gap_px=4.0), shape).labels.astype(np.int32)
    present, dense = np.unique(labels, return_inverse=True)
    labels = dense.reshape(shape).astype(np.int32)
    n = len(present) - 1
    contrast = np.where(labels > 0, 100, 0).astype(np.float32)
    segmentation = Segmentation(
        labels, labels, contrast, (CarbideClass("carbide", 100.0, 0.5),), np.zeros(n, np.intp), np.zeros(n, np.uint32),
        np.zeros(shape, bool), 100.0, 1.0, 1.0, 0.1, 0.5,
    )  # fmt: skip
    return segmentation, contrast + 100


def measured(field, rolling):
    segmentation, grey = field
    particles = measure_particles(segmentation, grey, rolling)
    field = measure_field(segmentation, particles, rolling)
    scaled = replace(field, table=to_um(field.table, FIELDS, SCALE), profiles=curves_to_um(field.profiles, SCALE))
    return scaled, to_um(particles, PARTICLES, SCALE)


@pytest.fixture(scope="module")
def discs():
    """Field of discs, and what is measured there."""
    field = drawn(20.0, 1.0, 0.0)
    return field[0], *measured(field, 17.0)


@pytest.fixture(scope="module")
def ovals():
    """Segmentation and picture of a field of ovals, and what is measured there."""
    field = drawn(14.0, 1.3, 0.0)
    return *field, measured(field, 0.0)[0]


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 90.0])
def test_aligned_ellipses_give_the_closed_form_of_every_intercept_measure(angle):
    """Axes 2:1 give AI 2; Ω12 is (AI - 1)/(AI + 0.571); mean chords πb/2, πa/2 (ASTM E1268, Underwood; from memory)."""
    row = measured(drawn(20.0, 2.0, angle), angle)[0].table.iloc[0]
    a, b = 20 * np.sqrt(2) / 2 * 0.5, 20 / np.sqrt(2) / 2 * 0.5
    assert row["anisotropy_index"] == pytest.approx(2, rel=0.03)
    index = row["anisotropy_index"]
    assert row["degree_of_orientation"] == pytest.approx((index - 1) / (index + 0.571), abs=1e-3)
    assert row["mean_chord_along_um"] == pytest.approx(np.pi * a / 2, rel=0.03)
    assert row["mean_chord_across_um"] == pytest.approx(np.pi * b / 2, rel=0.03)
    free = (1 - row["area_fraction"]) / row["intercepts_across_per_mm"] * 1e3
    assert row["mean_free_path_um"] == pytest.approx(free)
    assert row["orientation_order"] > 0.98


def test_the_interval_of_the_area_fraction_is_one_of_95_percent(discs):
    """By the normal distribution, of all carbides and of their class."""
    segmentation, found, _ = discs
    known = area_fraction_uncertainty(segmentation)
    below, above = (known.of_all_below, *known.of_class_below), (known.of_all, *known.of_class)
    for (_, row), down, up in zip(found.table.iterrows(), below, above, strict=True):
        ends = (stats.norm.ppf(0.025, row["area_fraction"], down), stats.norm.ppf(0.975, row["area_fraction"], up))
        assert (row["area_fraction_low"], row["area_fraction_high"]) == pytest.approx(ends)


def test_number_and_mean_diameter_weigh_what_the_frame_cuts(discs):
    """Sums of the carbides' weights by numpy; those cut and counted whole would be 5 % too many."""
    _, found, carbides = discs
    row, weight = found.table.iloc[0], carbides["weight"].to_numpy()
    assert weight.sum() < 0.96 * len(carbides)
    assert row["number_per_mm2"] == pytest.approx(weight.sum() / (600 * 800 * 0.5**2 * 1e-6))
    assert row["mean_ecd_um"] == pytest.approx(np.average(carbides["ecd_um"], weights=weight))


def test_random_discs_have_an_anisotropy_index_of_1():
    """Over eight fields of discs the 95 % interval of AI holds 1."""
    index = []
    for seed in range(8):
        found, _ = drawn(14.0, 1.0, 0.0, seed=seed)
        along, across = scan(found.labels, found.excluded, find_runs(found.labels, found.count), 30.0)
        index.append(across.per_carbide.sum() / along.per_carbide.sum())
    half = stats.t.ppf(0.975, 7) * np.std(index, ddof=1) / np.sqrt(8)
    assert abs(np.mean(index) - 1) < half + 0.005


def test_surface_by_outline_is_that_by_intercepts(discs):
    """S_V = (4/π)·L_A = 2·P_L, P_L being 2·N_L, of isotropic discs (Underwood 1970, from memory)."""
    row = discs[1].table.iloc[0]
    by_intercepts = 2 * (row["intercepts_along_per_mm"] + row["intercepts_across_per_mm"])
    assert row["surface_per_volume_per_mm"] == pytest.approx(by_intercepts, rel=0.03)


def test_counts_agree_with_feret_extents_of_simpleitk():
    """Rows that meet carbides, added up: the heights of SimpleITK's bounding boxes, carbides being convex."""
    import SimpleITK

    segmentation, grey = drawn(16.0, 1.5, 30.0)
    labels = segmentation.labels
    at_ends = set(labels[:, 0]) | set(labels[:, -1])
    shape = SimpleITK.LabelShapeStatisticsImageFilter()
    shape.Execute(SimpleITK.GetImageFromArray(labels))
    rows = sum(shape.GetBoundingBox(n)[3] * (0.5 if n in at_ends else 1.0) for n in shape.GetLabels())
    row = measured((segmentation, grey), 0.0)[0].table.iloc[0]
    counted = row["intercepts_along_per_mm"] / 1e3 * 0.5 * labels.size
    assert counted == pytest.approx(rows, rel=0.01)


def test_every_column_and_curve_is_there(ovals):
    """One row for all and one for the class; every curve that the figures draw, shares that add up to 1."""
    _, _, found = ovals
    assert list(found.table.columns) == names(FIELDS)
    assert list(found.table["carbide_class"]) == ["all", "carbide"]
    curves = found.profiles
    assert {"band_profile", "band_profile_random_high", "carbide_chord_along", "rose", "neighbour_at_random"} <= set(
        curves["curve"]
    )
    for name in ("rose", "neighbour", "neighbour_at_random"):
        assert curves.loc[curves["curve"] == name, "y"].sum() == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize("rows", [60, 300, 511, 2048])
def test_a_curve_across_rolling_keeps_its_mean_in_few_points(rows):
    """At most 128 points; what they stand for, summed, is what the finer curve holds."""
    fine = np.random.default_rng(rows).uniform(0, 1, rows)
    every = -(-rows // PROFILE_POINTS)
    coarse = _coarser(fine, every)
    assert len(coarse) <= 128
    assert every * coarse.sum() == pytest.approx(fine[: len(coarse) * every].sum())
    assert rows - len(coarse) * every < every


def test_the_scale_enters_every_column_as_its_unit_says(ovals):
    """Pixels twice as large: lengths double, areas are four times as large, counts per length and area fall alike."""
    powers = {"µm": 1, "µm²": 2, "1/mm": -1, "1/mm²": -2}
    segmentation, grey, fine = ovals
    particles = measure_particles(segmentation, grey, 0.0)
    coarse = to_um(measure_field(segmentation, particles, 0.0).table, FIELDS, 2 * SCALE)
    for column in FIELDS:
        if column.dtype == "float64":
            expected = fine.table[column.name] * 2.0 ** powers.get(column.unit, 0)
            assert coarse[column.name].to_numpy() == pytest.approx(expected.to_numpy(), nan_ok=True), column.name


def test_nothing_found_is_unknown_not_zero():
    """Without carbides ratios and distances are empty; of carbides of 6 px none is seen where -ln 0.05 are expected."""
    shape = (90, 130)
    nothing = np.zeros(shape, np.int32)
    empty = Segmentation(
        nothing, nothing, np.zeros(shape, np.float32), (), np.empty(0, np.intp), np.empty(0, np.uint32),
        np.zeros(shape, bool), 100.0, 1.0, 1.0, 0.1, None,
    )  # fmt: skip
    found, _ = measured((empty, np.full(shape, 100, np.float32)), 0.0)
    row = found.table.iloc[0]
    unknown = ["anisotropy_index", "mean_free_path_um", "band_p_value", "nearest_neighbour_um", "mean_chord_along_um"]
    assert row[unknown].isna().all()
    assert row["area_fraction"] == 0
    assert row["area_fraction_high"] == pytest.approx(-np.log(0.05) * 6 / (90 * 130), rel=2e-3)


def test_direction_of_lying_carbides_is_estimated_and_of_discs_is_not():
    """Ellipses at 40° tell 40° within three standard uncertainties or 1°; carbides without a direction say so."""
    segmentation, grey = drawn(20.0, 2.0, 40.0)
    found = rolling_direction(measure_particles(segmentation, grey, 0.0))
    assert abs(found.angle_deg - 40) < max(3 * found.standard_uncertainty_deg, 1.0)
    angles = np.random.default_rng(9).uniform(0, 180, 150)
    segmentation, grey = drawn(20.0, 1.5, angles)
    found = rolling_direction(measure_particles(segmentation, grey, 0.0))
    assert not found.found
    assert found.issue.kind == "no_rolling_direction"
