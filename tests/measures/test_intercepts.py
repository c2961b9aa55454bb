"""Intercepts per length against closed forms, an outside library, and the rules for line ends."""

import numpy as np
import pytest

from micro.geometry.runs import find_runs
from micro.measures.intercepts import scan
from micro.phantom.scenes import place
from micro.phantom.shapes import cover, shapes

ANGLES = (0.0, 17.0, 45.0, 90.0)


def aligned_ellipses(ecd, aspect, angle, shape=(700, 900), count=120, seed=1):
    """Label picture of ellipses with their long axes along one direction, and its coverage."""
    rng = np.random.default_rng(seed)
    outlines = shapes(np.full(count, ecd), rng, aspect=np.full(count, aspect), angle_deg=angle)
    coverage = cover(place(outlines, shape, None, rng, gap_px=2.0), shape)
    labels = coverage.labels
    return labels, int(labels.max()), coverage


def per_area(intercepts, labels):
    return intercepts.per_carbide.sum() / labels.size


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize(("ecd", "aspect"), [(10.0, 1.0), (14.0, 2.0), (24.0, 3.0)])
def test_aligned_ellipses_meet_the_closed_form(angle, ecd, aspect):
    """N_L is the projected width times N_A: 2b along and 2a across aligned ellipses (Underwood 1970, from memory)."""
    labels, count, coverage = aligned_ellipses(ecd, aspect, angle)
    along, across = scan(labels, np.zeros(labels.shape, bool), find_runs(labels, count), angle)
    a, b = ecd * np.sqrt(aspect) / 2, ecd / np.sqrt(aspect) / 2
    number = coverage.area_px.sum() / (np.pi * a * b)  # cut ellipses count by the part that shows
    assert per_area(along, labels) == pytest.approx(2 * b * number / labels.size, rel=0.03)
    assert per_area(across, labels) == pytest.approx(2 * a * number / labels.size, rel=0.03)


def test_turning_field_and_direction_together_changes_little():
    """The same ellipses at 0° and at 17° give the same anisotropy index to 2 %."""
    index = []
    for angle in (0.0, 17.0):
        labels, count, _ = aligned_ellipses(20.0, 2.0, angle)
        along, across = scan(labels, np.zeros(labels.shape, bool), find_runs(labels, count), angle)
        index.append(across.per_carbide.sum() / along.per_carbide.sum())
    assert index[1] == pytest.approx(index[0], rel=0.02)


def test_quarter_turn_and_mirror_swap_or_keep_the_counts():
    """On the grid the counts are exact: a quarter turn swaps the directions, a mirror changes nothing."""
    labels, count, _ = aligned_ellipses(12.0, 1.7, 30.0, shape=(200, 260), count=30)
    nothing = np.zeros(labels.shape, bool)
    along, across = (i.per_carbide for i in scan(labels, nothing, find_runs(labels, count), 0.0))
    turned = [i.per_carbide for i in scan(np.rot90(labels), nothing.T, find_runs(np.rot90(labels), count), 0.0)]
    assert np.allclose(turned[0], across)
    assert np.allclose(turned[1], along)
    mirrored = scan(labels[:, ::-1], nothing, find_runs(labels[:, ::-1], count), 0.0)[0].per_carbide
    assert np.allclose(mirrored, along)


def test_counts_along_rows_are_those_of_an_independent_count():
    """Row by row, the features that scikit-image labels on a single line are as many as the rows meet."""
    from skimage.measure import label

    labels, count, _ = aligned_ellipses(12.0, 1.7, 30.0, shape=(200, 260), count=30)
    inner = np.where(np.isin(labels, np.unique([*labels[:, 0], *labels[:, -1]])), 0, labels)
    independent = sum(int(label(row[None] > 0, connectivity=1).max()) for row in inner)
    along, _ = scan(inner, np.zeros(inner.shape, bool), find_runs(inner, count), 0.0)
    assert along.per_carbide.sum() == pytest.approx(independent, rel=0.01)


def test_a_ring_is_met_twice_and_a_line_end_counts_half():
    """A feature met twice by one line counts twice; a line that ends inside one half (ASTM E1268, from memory)."""
    ring = np.zeros((60, 80), np.int32)
    ring[10:50, 20:60] = 1
    ring[10:50, 30:50] = 0
    ring[10:14, 20:60] = 1
    along, _ = scan(ring, np.zeros(ring.shape, bool), find_runs(ring, 1), 0.0)
    assert along.per_carbide[0] == pytest.approx(4 + 2 * 36)
    cut = np.zeros((60, 80), np.int32)
    cut[20:40, :10] = 1
    along, _ = scan(cut, np.zeros(cut.shape, bool), find_runs(cut, 1), 0.0)
    assert along.per_carbide[0] == pytest.approx(20 / 2)


def test_chords_of_a_plate_are_its_width():
    """Rows across a plate cut chords of its width; the matrix between two plates is one chord too."""
    plates = np.zeros((50, 100), np.int32)
    plates[:, 20:28], plates[:, 60:75] = 1, 2
    along, _ = scan(plates, np.zeros(plates.shape, bool), find_runs(plates, 2), 0.0)
    assert sorted(set(along.carbide_chords)) == [8.0, 15.0]
    assert set(along.matrix_chords) == {32.0}


def test_what_is_left_out_is_no_matrix():
    """A chord that ends at a part that was left out is not whole."""
    plates = np.zeros((50, 100), np.int32)
    plates[:, 20:28], plates[:, 60:75] = 1, 2
    out = np.zeros(plates.shape, bool)
    out[:, 40:45] = True
    along, _ = scan(plates, out, find_runs(plates, 2), 0.0)
    assert len(along.matrix_chords) == 0
