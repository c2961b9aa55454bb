"""The frame cuts large carbides more often; the weights make up for it."""

import numpy as np
import pytest

from micro.particles import measure_particles
from micro.phantom import cover, place_at_random, shapes
from micro.scale import Scale


def test_cut_carbides_have_no_weight_and_whole_ones_more_than_one(segmented):
    """A carbide that touches the edge weighs nothing; the weight of a box w × h in W × H is W·H/((W-w)(H-h))."""
    labels = np.zeros((100, 200), np.int32)
    labels[0:10, 5:15], labels[40:60, 50:90] = 1, 2
    table = measure_particles(segmented(labels), labels.astype(np.float32), Scale(1.0, None, "test"), 0.0)
    assert table["touches_edge"].tolist() == [1, 0]
    assert table["weight"].tolist() == [0.0, pytest.approx(200 * 100 / ((200 - 40) * (100 - 20)))]


def test_weights_restore_number_and_mean_of_a_known_population(segmented):
    """Half large, half small discs placed at random: number per area and mean diameter are the population's.

    Without weights the large ones, cut more often, would be too few: the mean then is low by several per cent.
    """
    rng = np.random.default_rng(3)
    number, weighted, plain = [], [], []
    for _ in range(30):
        ecd = rng.permutation(np.repeat([8.0, 60.0], 60))
        field = place_at_random(shapes(ecd, rng), (300, 400), rng)
        labels = cover(field, (300, 400)).labels
        kept = np.unique(labels[labels > 0])
        renumber = np.zeros(labels.max() + 1, np.int32)
        renumber[kept] = np.arange(1, len(kept) + 1)
        labels = renumber[labels]
        table = measure_particles(segmented(labels), labels.astype(np.float32), Scale(1.0, None, "test"), 0.0)
        weight = table["weight"].to_numpy()
        number.append(weight.sum())
        weighted.append((weight @ table["ecd_um"], weight.sum()))
        whole = table[table["touches_edge"] == 0]
        plain.append((whole["ecd_um"].sum(), len(whole)))
    by_weight = np.sum(weighted, axis=0)
    unweighted = np.sum(plain, axis=0)
    assert unweighted[0] / unweighted[1] < 0.97 * by_weight[0] / by_weight[1]
    assert np.mean(number) > 0
