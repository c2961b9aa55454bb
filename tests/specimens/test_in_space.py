"""The table of sizes in space, and what it says where it cannot tell."""

import math

import numpy as np
import pandas as pd
import pytest

from micro.specimens.class_data import class_data
from micro.specimens.in_space import _law_message, sizes_in_space
from micro.tables import columns


def specimen(fields=6, each=300, area_mm2=0.05):
    """Sections of lognormal spheres: median 2 µm, σ 0.3."""
    rng = np.random.default_rng(1)
    size = rng.lognormal(math.log(2) + 0.09, 0.3, fields * each) * np.sqrt(1 - rng.random(fields * each) ** 2)
    name = np.repeat([f"f{i}" for i in range(fields)], each)
    particles = columns.empty(columns.PARTICLES).reindex(range(fields * each))
    particles = particles.assign(field=name, ecd_um=size, weight=1.0, aspect_ratio=1.1, flags="", carbide_class="MC")
    table = columns.empty(columns.FIELDS).reindex(range(fields))
    table = table.assign(field=pd.unique(name), carbide_class="all", analysed_area_um2=1e6 * area_mm2)
    table = table.assign(area_fraction=0.05, number_per_mm2=each / area_mm2)
    return class_data(particles, table, "all")


def rows(data):
    return sizes_in_space("bar", data, 0.8).set_index("quantity")


def test_spheres_and_the_largest_stand_in_the_table():
    """N_V = N_A/D̄ (Underwood 1970, from memory), and the median of the largest of that many lognormal sections."""
    found = rows(specimen())
    mean = 2 * math.exp(0.045)
    assert found.loc["sphere_mean", "value"] == pytest.approx(mean, rel=0.05)
    assert found.loc["spheres_per_mm3", "value"] == pytest.approx(6000 / mean * 1e3, rel=0.1)
    assert found.loc["largest_on_1_mm2", "message"] == "6 fields: whether the Gumbel law fits cannot be checked"
    assert found.loc["largest_on_1_mm2", "ci95_low"] < found.loc["largest_on_1_mm2", "value"]
    assert list(sizes_in_space("bar", specimen(), 0.8)) == columns.names(columns.SIZES)


def test_beyond_ten_times_the_area_there_is_no_value():
    """0.3 mm² were measured: 1 mm² is told, 10 mm² and 100 mm² are not."""
    found = rows(specimen())
    assert math.isnan(found.loc["largest_on_10_mm2", "value"])
    assert found.loc["largest_on_10_mm2", "message"] == "more than 10 times the area measured"


def test_twelve_fields_check_the_law():
    assert rows(specimen(12)).loc["largest_on_1_mm2", "message"].startswith("Gumbel law, p = ")


def test_few_sections_have_no_law():
    assert not rows(specimen(4, 10)).index.str.startswith("s").any()


def test_long_carbides_are_no_spheres_and_unresolved_shapes_say_nothing():
    """Aspect ratio 2 is said beside the law of spheres; carbides too small for a shape leave it out."""
    long, small = specimen(), specimen()
    long.carbides["aspect_ratio"] = 2.0
    small.carbides["aspect_ratio"], small.carbides["flags"] = 2.0, "small"
    assert "aspect ratio 2" in rows(long).loc["sphere_mean", "message"]
    assert "aspect" not in rows(small).loc["sphere_mean", "message"]
    assert "aspect" not in rows(specimen()).loc["sphere_mean", "message"]


def test_a_law_that_does_not_fit_is_said_and_one_that_does_is_not():
    """Largest of 60 fields: quantiles of a Gumbel law; and of one field in six ten times as large."""
    rank = (np.arange(60) + 0.5) / 60
    gumbel = 10 - 2 * np.log(-np.log(rank))
    assert "does not fit" not in _law_message(gumbel)
    assert _law_message(np.where(rank > 5 / 6, 10 * gumbel, gumbel)).endswith("it does not fit, do not rely on this")


def test_a_median_below_what_is_seen_is_withheld_and_one_above_is_told():
    """The lognormal median is about 2 µm: told where 0.8 µm are seen, not where 3.2 µm are."""
    told, hidden = (sizes_in_space("bar", specimen(), limit).set_index("quantity") for limit in (0.8, 3.2))
    row = told.loc["section_median"]
    assert row["ci95_low"] < row["value"] < row["ci95_high"] and 1.5 < row["value"] < 2.5
    assert "from lognormal" in row["message"]
    assert np.isnan(hidden.loc["section_median", "value"])
    assert hidden.loc["section_median", "message"].startswith("the median of the sections would lie below 3.2 µm")
