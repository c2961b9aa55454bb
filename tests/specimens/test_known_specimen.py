"""One asymmetric specimen of known truth, followed through all tables to the words of the report.

Three fields of aligned ellipses, aspect ratio 2, along a rolling direction of 17°, of two greys (MC, and M7C3 in
bands). What is expected comes from the drawn outlines by the closed forms named, not from the program.
"""

import math
import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import micro
from micro.comparison.findings import number, sentences
from micro.comparison.measured import MeasuredSpecimen
from micro.comparison.pairs import compare
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.report.summary import _Values, amount_sentence, banding_words, direction_sentence, size_sentence
from micro.specimens.quantities import QUANTITIES
from micro.specimens.summary import FILMS, summarise

UM_PER_PX, SHAPE, FIELDS = 0.25, (700, 900), 3
SCENE = Scene(
    (
        Population(0.05, 16.0, 0.25, 2.0, 0.0, 0.0, roughness=0.0, banding=1.0, carbide_class=1),
        Population(0.04, 11.0, 0.25, 2.0, 0.0, 0.0, roughness=0.0, carbide_class=0),
    ),
    class_names=("MC", "M7C3"),
    rolling_deg=17.0,
    band_spacing_px=170.0,
    optics=Optics(80, (210, 150), blur_px=0.9, noise=3.0),
)  # fmt: skip


@pytest.fixture(scope="module")
def measured():
    """Tables of the fields, and the true outlines with their field."""
    particles, fields, truths = [], [], []
    for place in range(FIELDS):
        grey, truth = make_field(SCENE, SHAPE, np.random.default_rng(100 + place))
        result = micro.measure(grey, UM_PER_PX, rolling_deg=17.0, carbides="bright")
        name = f"f{place}"
        particles.append(result.particles.assign(specimen="bar", field=name))
        fields.append(result.field.assign(specimen="bar", field=name))
        truths.append(truth.particles.assign(field=name, fraction=truth.area_fraction.sum()))
    return pd.concat(particles), pd.concat(fields), pd.concat(truths)


def near(value, share):
    return value * (1 - share), value * (1 + share)


def expected(truth, fields=FIELDS):
    """Return the ends between which each quantity must lie; µm, mm and fractions as in specimens.csv."""
    k, (rows, columns) = UM_PER_PX, SHAPE
    area_um2 = fields * rows * columns * k * k
    mm = area_um2 / 1000  # area over a length in µm, so that sums of lengths come out per mm
    own = truth[truth["x_px"].between(0, columns) & truth["y_px"].between(0, rows)]
    d, by_area = own["ecd_px"].to_numpy() * k, own["area_px"].to_numpy()
    shown = (truth["shown_px"] / truth["area_px"]).to_numpy()
    across = float(shown @ truth["major_px"]) * k / mm  # lines across meet as many as the carbides are long
    along = float(shown @ truth["minor_px"]) * k / mm
    fraction = float(truth.groupby("field")["fraction"].first().mean())
    order = np.argsort(d)
    cumulated = np.cumsum(by_area[order]) / by_area.sum()

    def of_area(share):
        return d[order][np.searchsorted(cumulated, share)]

    return {
        "area_fraction": near(fraction, 0.02),
        "number_per_mm2": near(len(own) / area_um2 * 1e6, 0.03),
        "mean_ecd": near(d.mean(), 0.02),
        "area_weighted_ecd": near((d**3).sum() / (d**2).sum(), 0.02),
        **{f"ecd_d{q}": near(np.quantile(d, q / 100), 0.03) for q in (10, 50, 90)},
        **{f"ecd_d{q}_by_area": near(of_area(q / 100), 0.03) for q in (10, 50, 90)},
        "largest_ecd": near(d.max(), 0.03),
        "mean_aspect_ratio": near(own["aspect_ratio"].mean(), 0.03),
        "elongation_along_rolling": near(2.0, 0.04),
        "intercepts_along": near(along, 0.04),
        "intercepts_across": near(across, 0.04),
        "anisotropy_index": near(across / along, 0.04),
        "degree_of_orientation": near((across - along) / (across + (math.pi / 2 - 1) * along), 0.06),
        "mean_free_path": near((1 - fraction) / across * 1000, 0.05),
        "mean_band_spacing": near(1000 / across, 0.05),
        "mean_chord_along": near(fraction / along * 1000, 0.05),
        "mean_chord_across": near(fraction / across * 1000, 0.05),
        "surface_per_volume": near(4 / math.pi * float(shown @ truth["perimeter_px"]) * k / mm, 0.08),
        "orientation_order": (0.98, 1.0),
        "unknown_fields_share": (0.0, 0.0),
        "banded_fields_share": (1.0, 1.0),
        "banding_beyond_random": (0.25**2 - 0.24**2, 0.8**2),  # by the next two
        "band_contrast": (0.25, 0.8),
        "band_contrast_at_random": (0.05, 0.24),
        "band_spacing": near(170 * k, 0.4),  # bands drawn unevenly; a pure wave is held to 3 % in test_banding
        "lane_width": near(85 * k, 0.4),
        "bands_too_wide_share": (0.0, 0.0),
        "row_power": (1.0, 1.5),
        "nearest_neighbour": near(nearest(own) * k, 0.05),
        "neighbour_ratio": (0.8, 1.1),
        "neighbour_alignment": (-0.6, 0.3),
        "stringer_share": (0.0, 0.35),
        "stringer_share_at_random": (0.0, 0.3),
        "resolved_diameter": near(5.4 * 0.25, 0.2),
        "unresolved_share": (0.0, 0.03),
        "concave_share": (0.0, 0.03),
    }


def nearest(own):
    """Mean distance of nearest neighbours by scipy's distances of all pairs, frame by frame."""
    from scipy.spatial.distance import cdist

    found = []
    for _, field in own.groupby("field"):
        places = field[["x_px", "y_px"]].to_numpy()
        apart = cdist(places, places) + 1e9 * np.eye(len(places))
        found.append(apart.min(axis=1))
    return float(np.concatenate(found).mean())


def test_every_row_of_specimens_csv_is_the_truth(measured):
    """Along and across are told apart by a factor of 2 everywhere: swapped, a row would be off by that."""
    particles, fields, truth = measured
    table = summarise(particles, fields, 0.001)
    rows = table[table["carbide_class"] == "all"].set_index("quantity")["mean"]
    wanted = expected(truth)
    assert set(wanted) == {quantity.name for quantity in QUANTITIES} - set(FILMS)  # tests/etch/test_films.py
    wrong = {n: (rows[n], ends) for n, ends in wanted.items() if not ends[0] - 1e-9 <= rows[n] <= ends[1] + 1e-9}
    assert wrong == {}


IN_FIELDS = {
    "area_fraction": "area_fraction", "number_per_mm2": "number_per_mm2", "mean_ecd_um": "mean_ecd",
    "intercepts_along_per_mm": "intercepts_along", "intercepts_across_per_mm": "intercepts_across",
    "anisotropy_index": "anisotropy_index", "degree_of_orientation": "degree_of_orientation",
    "mean_free_path_um": "mean_free_path", "mean_chord_along_um": "mean_chord_along",
    "mean_chord_across_um": "mean_chord_across", "surface_per_volume_per_mm": "surface_per_volume",
    "orientation_order": "orientation_order", "band_contrast": "band_contrast", "band_spacing_um": "band_spacing",
    "bands_too_wide": "bands_too_wide_share", "row_power": "row_power", "lane_width_um": "lane_width",
    "band_contrast_at_random": "band_contrast_at_random", "nearest_neighbour_um": "nearest_neighbour",
    "neighbour_ratio": "neighbour_ratio", "neighbour_alignment": "neighbour_alignment",
    "stringer_share": "stringer_share", "stringer_share_at_random": "stringer_share_at_random",
    "resolved_diameter_um": "resolved_diameter", "unresolved_share": "unresolved_share",
    "concave_share": "concave_share",
}  # fmt: skip
"""Columns of fields.csv, and the row of specimens.csv that they stand behind."""
APART = ("band_spacing_um", "lane_width_um", "row_power", "neighbour_alignment")
"""What one field of 170 carbides tells within a half only."""


def test_every_column_of_fields_csv_is_the_truth_of_that_field(measured):
    """Against what was drawn in it. The number is of what is whole in the frame, so of some more or fewer: 12 %."""
    _, fields, truth = measured
    for row in fields[fields["carbide_class"] == "all"].to_dict("records"):
        wanted = expected(truth[truth["field"] == row["field"]], fields=1)
        for column, quantity in IN_FIELDS.items():
            low, high = wanted[quantity]
            more = (high - low) * (1.5 if column in APART else 1.0) + 0.06 * abs(high) * (column == "number_per_mm2")
            assert low - more <= row[column] <= high + more, (row["field"], column)
        assert row["area_fraction_low"] < wanted["area_fraction"][1]
        assert row["area_fraction_high"] > wanted["area_fraction"][0]
        assert row["band_p_value"] <= 0.05
        assert row["analysed_area_um2"] == pytest.approx(SHAPE[0] * SHAPE[1] * UM_PER_PX**2)
        assert (row["um_per_px"], row["rolling_deg"]) == (UM_PER_PX, 17.0)


def test_sampling_errors_of_a_field_are_those_of_its_carbides(measured):
    """Near √Σa²/Σa of independent carbides for the area, 1/√n for their number; bands widen both, by less than 3."""
    _, fields, truth = measured
    for row in fields[fields["carbide_class"] == "all"].to_dict("records"):
        area = truth.loc[truth["field"] == row["field"], "shown_px"]
        alone = {"area_fraction": np.sqrt((area**2).sum()) / area.sum(), "number": 1 / np.sqrt((area > 0).sum())}
        for name, independent in alone.items():
            assert 0.6 * independent < row[f"{name}_within_relative_uncertainty"] < 3 * independent


def test_rows_of_the_classes_add_up_to_the_row_of_all(measured):
    _, fields, _ = measured
    whole = fields[fields["carbide_class"] == "all"].set_index("field")
    parts = fields[fields["carbide_class"] != "all"].groupby("field")
    for column in (
        "area_fraction",
        "particles",
        "number_per_mm2",
        "intercepts_along_per_mm",
        "intercepts_across_per_mm",
    ):
        assert np.allclose(parts[column].sum(), whole[column], rtol=1e-9)


def numbers(text):
    return [float(found) for found in re.findall(r"(?<![\w.])\d+(?:\.\d+)?", text)]


def test_the_words_of_the_report_hold_the_truth(measured):
    """Amount of all and of both classes, sizes, elongation, anisotropy, bands: every number that is written."""
    particles, fields, truth = measured
    values, bar = _Values(summarise(particles, fields, 0.001)), SimpleNamespace(name="bar", route="")
    wanted = expected(truth)

    def holds(value, quantity, factor=1.0):
        low, high = wanted[quantity]
        assert factor * low * 0.98 <= value <= factor * high * 1.02, (quantity, value)

    said = amount_sentence(bar, values)
    holds(numbers(said)[0], "area_fraction", 100)
    drawn = truth.groupby("carbide_class")["shown_px"].sum() / (FIELDS * SHAPE[0] * SHAPE[1]) * 100
    for share in drawn:
        assert min(abs(found - share) for found in numbers(said)) < 0.04 * share
    half, _, _, by_area, *rest = numbers(size_sentence(bar, values))
    holds(half, "ecd_d50")
    holds(by_area, "ecd_d50_by_area")
    holds(rest[2], "largest_ecd")
    said = direction_sentence(bar, values)
    told = numbers(said)
    holds(told[0], "elongation_along_rolling")
    holds(told[3], "anisotropy_index")
    assert "3 of 3 fields banded beyond chance, with bands" in said
    holds(told[8], "band_spacing")
    swing = re.search(r"swings beyond chance by (\d+)\s%", said)
    assert (
        swing and 100 * wanted["banding_beyond_random"][0] ** 0.5 < int(swing[1]) < 80
    )  # the root of what it stands for


@pytest.mark.parametrize("high, words", [(0.0144, "by at most 12\u00a0% of its mean"), (-0.001, "no field is banded")])
def test_where_no_field_is_banded_the_words_bound_what_bands_there_may_be(high, words):
    """A variance of 0.0144 of the squared mean is a root mean square of 12 %."""
    rows = [("banded_fields_share", 0.0, 0.0, 0.4, 8), ("banding_beyond_random", high - 0.01, high - 0.02, high, 8)]
    table = pd.DataFrame(rows, columns=["quantity", "mean", "ci95_low", "ci95_high", "fields"])
    said = banding_words(_Values(table.assign(carbide_class="all")))
    assert said.startswith("no field is banded beyond chance") and words in said


def test_both_classes_have_their_own_truth(measured):
    """The darker and coarser carbides are M7C3; fractions of both add up to all."""
    particles, fields, truth = measured
    table = summarise(particles, fields, 0.001)
    fractions = table[table["quantity"] == "area_fraction"].set_index("carbide_class")["mean"]
    drawn = truth.assign(share=truth["shown_px"] / (FIELDS * SHAPE[0] * SHAPE[1])).groupby("carbide_class")["share"]
    assert len(fractions) == 3
    assert sorted(fractions.drop("all")) == pytest.approx(sorted(drawn.sum()), rel=0.04)
    assert fractions.drop("all").sum() == pytest.approx(fractions["all"], rel=1e-6)


def test_a_bar_twice_as_coarse_is_twice_as_coarse_in_every_row(measured):
    """The same carbides at twice the size of a pixel: lengths × 2, counts per length ÷ 2, per area ÷ 4, ratios × 1."""
    particles, fields, _ = measured
    particles = particles.assign(flags="")  # else the finer bar is cut at what the coarser resolves
    powers = {"µm": 1, "1/mm": -1, "1/mm²": -2}

    def doubled(table):
        factor = {c: 2.0 for c in table if c.endswith("_um")} | {c: 4.0 for c in table if c.endswith("_um2")}
        factor |= {c: 0.5 for c in table if c.endswith("_per_mm")} | {c: 0.25 for c in table if c.endswith("_per_mm2")}
        return table.assign(**{c: table[c] * f for c, f in factor.items()})

    a = MeasuredSpecimen("a", fields, particles, "longitudinal", 0.0)
    b = MeasuredSpecimen("b", doubled(fields).assign(um_per_px=UM_PER_PX), doubled(particles), "longitudinal", 0.0)
    table = compare([a, b])
    rows = table[(table["carbide_class"] == "all") & table["estimate"].notna()]
    for row in rows.to_dict("records"):
        if row["quantity"] == "largest_ecd":
            continue
        wanted = 2.0 ** powers.get(row["unit"], 0) if row["kind"] == "ratio" else 0.0
        assert row["estimate"] == pytest.approx(wanted, abs=1e-9), row["quantity"]
    assert len(rows) >= 12
    told = "\n".join(sentences(table))
    # What is written of each row is the row: both values, and twice as large or the same.
    for row in rows[(rows["kind"] == "ratio") & rows["p_value"].notna()].to_dict("records"):
        both = f"{number(row['value_a'])}{' ' + row['unit'] if row['unit'] else ''} in a, {number(row['value_b'])}"
        assert both in told, row["quantity"]
        assert row["ci95_low"] <= row["estimate"] <= row["ci95_high"]
    assert "Mean carbide diameter: " in told
    value_of = summarise(particles, fields, None).set_index(["carbide_class", "quantity"])["mean"]
    for row in table[table["estimate"].notna()].to_dict("records"):
        if row["quantity"] != "largest_ecd":
            assert row["value_a"] == pytest.approx(value_of[row["carbide_class"], row["quantity"]]), row["quantity"]
