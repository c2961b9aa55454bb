"""Structures too fine to tell which carbides touch: the number is a lower bound, the shape none, neither is judged."""

import numpy as np
import pandas as pd
import pytest

import micro
from micro.comparison.measured import MeasuredSpecimen
from micro.comparison.pairs import compare
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.specimens.class_data import UNRESOLVED, class_data, is_unresolved
from micro.specimens.open_outlines import open_ends, other_readings
from micro.specimens.quantities import BY_NAME
from micro.specimens.summary import summarise

SHAPE, UM_PER_PX = (192, 256), 0.2


def specimen(ecd_px, seed, fields=3):
    """Measure fields of roundish carbides of 12 %, drawn under a blur of 1 px; and the true number per mm²."""
    optics = Optics(100.0, (190.0,), blur_px=1.0, noise=4.0)
    scene = Scene((Population(0.12, ecd_px, 0.25, 1.15, 0.0, 0.5),), optics=optics)
    particles, tables, true = [], [], 0
    for place in range(fields):
        grey, truth = make_field(scene, SHAPE, np.random.default_rng([seed, place]))
        result = micro.measure(grey, UM_PER_PX, rolling_deg=0.0, carbides="bright")
        particles.append(result.particles.assign(specimen="bar", field=f"f{place}"))
        tables.append(result.field.assign(specimen="bar", field=f"f{place}"))
        true += int((truth.particles["x_px"].between(0, SHAPE[1]) & truth.particles["y_px"].between(0, SHAPE[0])).sum())
    area_mm2 = fields * SHAPE[0] * SHAPE[1] * UM_PER_PX**2 / 1e6
    return pd.concat(particles, ignore_index=True), pd.concat(tables, ignore_index=True), true / area_mm2


@pytest.fixture(scope="module")
def fine():
    return specimen(4.2, 31)


@pytest.fixture(scope="module")
def resolved():
    return specimen(9.0, 32)


def test_the_number_of_a_fine_structure_is_a_lower_bound_whose_interval_holds_the_truth(fine):
    particles, fields, true = fine
    row = summarise(particles, fields, None).query("carbide_class == 'all'").set_index("quantity")
    assert fields["unresolved_share"].mean() > UNRESOLVED
    number = row.loc["number_per_mm2"]
    assert number["mean"] < true
    assert number["ci95_low"] < true < number["ci95_high"]
    # One more in each outline below twice the resolved diameter, which here are all, beside the scatter.
    assert number["ci95_high"] == pytest.approx(3 * number["mean"] - number["ci95_low"], rel=1e-3)
    assert number["origin"] == "lower bound: too fine to be told apart"
    for shape in ("mean_aspect_ratio", "elongation_along_rolling"):
        assert np.isnan(row.loc[shape, ["mean", "ci95_low", "ci95_high"]].to_numpy(float)).all()
    assert np.isfinite(row.loc["area_fraction", "mean"])


def test_a_resolved_structure_keeps_its_number_and_its_shape(resolved):
    particles, fields, true = resolved
    row = summarise(particles, fields, None).query("carbide_class == 'all'").set_index("quantity")
    assert not is_unresolved(class_data(particles, fields, "all"))
    assert row.loc["number_per_mm2", "mean"] == pytest.approx(true, rel=0.06)
    assert row.loc["number_per_mm2", "ci95_high"] < 1.4 * row.loc["number_per_mm2", "mean"]
    assert (row.loc[["number_per_mm2", "mean_aspect_ratio"], "origin"] == "").all()
    assert row.loc["mean_aspect_ratio", "mean"] == pytest.approx(1.17, abs=0.06)


def test_pairs_that_may_be_hidden_are_counted_by_their_weights(fine):
    """By hand: weights of all carbides shorter than two resolved diameters, over the area."""
    particles, fields, _ = fine
    data = class_data(particles, fields, "all")
    limit = 2 * fields.set_index("field")["resolved_diameter_um"]
    every = fields[fields["carbide_class"] == "all"]
    short = particles["ecd_um"] < particles["field"].map(limit[~limit.index.duplicated()])
    area = every["analysed_area_um2"].sum()
    expected = particles["weight"][short].sum() / area * 1e6
    value = particles["weight"].sum() / area * 1e6
    ends = open_ends(BY_NAME["number_per_mm2"], value, data, other_readings(data))
    assert ends == (0.0, pytest.approx(expected))


def test_no_verdict_rests_on_carbides_that_cannot_be_told_apart(fine):
    particles, fields, _ = fine
    rows = compare([MeasuredSpecimen(name, fields, particles) for name in ("A", "B")])
    rows = rows[rows["carbide_class"] == "all"].set_index("quantity")
    for name in ("number_per_mm2", "mean_ecd", "mean_aspect_ratio"):
        assert rows.loc[name, "verdict"] in ("shown only", "not compared")
        assert "too fine to be told apart" in rows.loc[name, "warning"]
    assert rows.loc["area_fraction", "primary"] == 1


@pytest.mark.parametrize(("unknown", "share"), [(0, 0.0), (1, 1 / 6), (3, 0.5)])
def test_the_share_of_unknown_fields_is_of_all_fields(resolved, unknown, share):
    particles, fields, _ = resolved
    every = fields[fields["carbide_class"] == "all"].head(1)
    table = pd.concat([every.assign(field=f"f{n}") for n in range(6)], ignore_index=True)
    table.loc[table.index < unknown, "area_fraction"] = np.nan
    assert class_data(particles.head(0), table, "all").unknown_share == pytest.approx(share)
