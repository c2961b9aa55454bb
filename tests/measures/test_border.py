"""The frame cuts large carbides more often; the weights make up for it."""

import numpy as np
import pandas as pd
import pytest
from known_shapes import numbered

from micro.measures.particles import measure_particles


def test_cut_carbides_have_no_weight_and_whole_ones_more_than_one(segmented):
    """A carbide at the edge weighs nothing, one of box w × h in W × H as W·H over the places at which it is counted.

    Two edge spreads, here of the smoothing alone, are 3 px: it is counted at W − 2·3 − w + 1 places across.
    """
    labels = np.zeros((100, 200), np.int32)
    labels[0:10, 5:15], labels[40:60, 50:90] = 1, 2
    table = measure_particles(segmented(labels), labels.astype(np.float32), 0.0)
    assert table["touches_edge"].tolist() == [1, 0]
    assert table["weight"].tolist() == [0.0, pytest.approx(200 * 100 / ((200 - 6 - 40 + 1) * (100 - 6 - 20 + 1)))]


PITCH = 70.0


def discs_of_two_sizes(shift, rng):
    """Label picture of discs of 8 and 60 px in turn, one near the middle of each cell of a shifted grid."""
    y, x = np.mgrid[:300, :400] + 0.5 + shift[:, None, None]
    row, column = (y // PITCH).astype(int), (x // PITCH).astype(int)
    cells = row.max() + 1, column.max() + 1
    off_y, off_x = rng.uniform(-4, 4, (2, *cells))
    radius = np.where((row + column) % 2, 4.0, 30.0)
    inside = np.hypot(y % PITCH - PITCH / 2 - off_y[row, column], x % PITCH - PITCH / 2 - off_x[row, column]) <= radius
    return numbered(np.where(inside, row * cells[1] + column + 1, 0))


def test_weights_restore_number_and_mean_of_a_known_population(segmented):
    """One disc a cell, half of them large: number per area and mean diameter are the population's.

    Without weights the large ones, cut more often, would be too few: the mean then is low by several per cent.
    """
    rng = np.random.default_rng(3)
    shifts = 2 * PITCH * (np.indices((8, 8)).reshape(2, -1).T + rng.uniform(size=(64, 2))) / 8
    pictures = [discs_of_two_sizes(shift, rng) for shift in shifts]
    table = pd.concat(measure_particles(segmented(p), p.astype(np.float32), 0.0) for p in pictures)
    assert table["weight"].sum() / 64 == pytest.approx(300 * 400 / PITCH**2, rel=0.02)
    assert np.average(table["ecd_px"], weights=table["weight"]) == pytest.approx(34, rel=0.02)
    assert table.loc[table["touches_edge"] == 0, "ecd_px"].mean() < 0.97 * 34
