"""The frame cuts large carbides more often; the weights make up for it."""

import numpy as np
import pytest
from known_shapes import PIXEL, numbered

from micro.particles import measure_particles
from micro.phantom import cover, place_at_random, shapes


def test_cut_carbides_have_no_weight_and_whole_ones_more_than_one(segmented):
    """A carbide at the edge weighs nothing, one of box w × h in W × H as W·H over the places at which it is counted.

    Two edge spreads, here of the smoothing alone, are 3 px: it is counted at W − 2·3 − w + 1 places across.
    """
    labels = np.zeros((100, 200), np.int32)
    labels[0:10, 5:15], labels[40:60, 50:90] = 1, 2
    table = measure_particles(segmented(labels), labels.astype(np.float32), PIXEL, 0.0)
    assert table["touches_edge"].tolist() == [1, 0]
    assert table["weight"].tolist() == [0.0, pytest.approx(200 * 100 / ((200 - 6 - 40 + 1) * (100 - 6 - 20 + 1)))]


def test_weights_restore_number_and_mean_of_a_known_population(segmented):
    """Half large, half small discs placed at random: number per area and mean diameter are the population's.

    Without weights the large ones, cut more often, would be too few: the mean then is low by several per cent.
    """
    rng = np.random.default_rng(3)
    number, centred, weighted, plain = [], [], [], []
    for _ in range(30):
        ecd = rng.permutation(np.repeat([8.0, 60.0], 60))
        wide = place_at_random(shapes(ecd, rng), (480, 580), rng)  # the density is even only clear of the margin
        field = wide.moved(wide.x - 90, wide.y - 90)
        centred.append(np.count_nonzero((field.x > 0) & (field.x < 400) & (field.y > 0) & (field.y < 300)))
        labels = numbered(cover(field, (300, 400)).labels)
        table = measure_particles(segmented(labels), labels.astype(np.float32), PIXEL, 0.0)
        weight = table["weight"].to_numpy()
        number.append(weight.sum())
        weighted.append((weight @ table["ecd_um"], weight.sum()))
        whole = table[table["touches_edge"] == 0]
        plain.append((whole["ecd_um"].sum(), len(whole)))
    by_weight = np.sum(weighted, axis=0)
    unweighted = np.sum(plain, axis=0)
    assert unweighted[0] / unweighted[1] < 0.97 * by_weight[0] / by_weight[1]
    assert np.mean(number) == pytest.approx(np.mean(centred), rel=0.02)
