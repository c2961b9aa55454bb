"""Intervals of specimens hold the truth as often as they say where a mild etch left texture, rims and unlike greys."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from bars import FIELD, INGOT_CAST, POWDER_MADE, UM_PER_PX

import micro
from micro.phantom.etch import Camera, Etch, photographed
from micro.phantom.scenes import arrange
from micro.phantom.shapes import cover
from micro.specimens.summary import summarise

BARS = {"powder-made": POWDER_MADE, "ingot-cast": INGOT_CAST}
MILD = Etch(lath=0.1, rim=0.1, grey_spread=0.1)
FIELDS, ROUNDS, FIELDS_EACH, FINE = 120, 5, 6, 4
STUDIES = ROUNDS * FIELDS // FIELDS_EACH
QUANTITIES = ("area_fraction", "number_per_mm2", "mean_ecd", "ecd_d50", "mean_aspect_ratio", "anisotropy_index")


def met(outlines):
    """Lines along and lines across that the outlines meet, by where a four times finer drawing changes."""
    scale = {name: getattr(outlines, name) * FINE for name in ("x", "y", "semi_major", "semi_minor")}
    drawn = cover(replace(outlines, **scale), (FIELD[0] * FINE, FIELD[1] * FINE))
    inside = (drawn.by_class.sum(axis=0) > 0.5).astype(np.int8)
    return [float(np.abs(np.diff(inside, axis=axis)).sum()) for axis in (1, 0)]


def drawn_and_measured(scene, seed):
    """Tables of carbides and of the field of each picture, and what they hold in truth, all fields together."""
    particles, fields, carbides, shares, lines = [], [], [], [], []
    for number in range(FIELDS):
        rng = np.random.default_rng([seed, number])
        outlines = arrange(scene, FIELD, rng)
        grey, truth = photographed(outlines, scene, FIELD, (MILD, Camera()), rng)
        found = micro.measure(grey, UM_PER_PX, rolling_deg=0.0)
        particles.append(found.particles.assign(specimen="bar", field=f"f{number}"))
        fields.append(found.field.assign(specimen="bar", field=f"f{number}"))
        table = truth.particles
        carbides.append(table[table["x_px"].between(0, FIELD[1]) & table["y_px"].between(0, FIELD[0])])
        shares.append(float(truth.area_fraction.sum()))
        lines.append(met(outlines))
    own, (along, across) = pd.concat(carbides), np.sum(lines, axis=0)
    true = {
        "area_fraction": np.mean(shares),
        "number_per_mm2": len(own) / (FIELDS * FIELD[0] * FIELD[1] * UM_PER_PX**2) * 1e6,
        "mean_ecd": own["ecd_px"].mean() * UM_PER_PX,
        "ecd_d50": own["ecd_px"].median() * UM_PER_PX,
        "mean_aspect_ratio": own["aspect_ratio"].mean(),
        "anisotropy_index": across / along,
    }
    return particles, fields, true


@pytest.mark.study
@pytest.mark.parametrize(("name", "seed"), [("powder-made", 5), ("ingot-cast", 6)])
def test_intervals_after_a_mild_etch_hold_the_truth(name, seed):
    """Texture, rims of 1 px and grey spread of 10 % each: of 100 studies of 6 fields 93 or more hold it, each quantity.

    Each of 5 rounds deals the 120 fields out to 20 studies. Of 300 studies that 600 fields of the powder-made bar were
    dealt out to: area 100.0, number 94.7, ECD 92.7, d50 94.7, aspect ratio 97.0, AI 95.0 % (docs/methods/). Rims pass
    for blur: the area is 4.6 % high there, the mean diameter 2.6 %.
    The truth is that of all fields drawn, so that studies of 6 of 120 part from it by 2.5 % less than from the bar's.
    """
    particles, fields, true = drawn_and_measured(BARS[name], seed)
    rng = np.random.default_rng(seed)
    held = dict.fromkeys(QUANTITIES, 0)
    dealt = np.concatenate([rng.permutation(FIELDS) for _ in range(ROUNDS)]).reshape(STUDIES, FIELDS_EACH)
    for own in dealt:
        table = summarise(pd.concat([particles[i] for i in own]), pd.concat([fields[i] for i in own]), 0.0)
        rows = table[table["carbide_class"] == "all"].set_index("quantity")
        for quantity in QUANTITIES:
            held[quantity] += rows.loc[quantity, "ci95_low"] <= true[quantity] <= rows.loc[quantity, "ci95_high"]
    every = (
        summarise(pd.concat(particles), pd.concat(fields), 0.0).query("carbide_class == 'all'").set_index("quantity")
    )
    for quantity in QUANTITIES:
        off = 100 * (every.loc[quantity, "mean"] / true[quantity] - 1)
        print(f"{name} {quantity}: {held[quantity]} of {STUDIES}, off by {off:+.2f} %")
    assert all(count >= 93 for count in held.values()), held
