"""Rows of specimens.csv from tables of carbides and fields."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from micro.specimens.quantities import QUANTITIES, SUMMED_COLUMNS
from micro.specimens.summary import summarise, uncertainty_budget
from micro.statistics.sampling import WEIGHT_OF_JOINED, student_t
from micro.tables import columns


def study(rng, fields=6, carbides=200, shift=0.1):
    """Carbides of fields that differ from each other; 100 x 100 µm a field, segmentation known to 2 %."""
    field = np.repeat([f"f{i:05d}" for i in range(fields)], carbides)
    ecd = rng.lognormal(0, 0.4, len(field)) * np.repeat(np.exp(shift * rng.standard_normal(fields)), carbides)
    aspect = 1 + rng.gamma(2, 0.4, len(field))
    particles = columns.empty(columns.PARTICLES).reindex(range(len(field)))
    particles = particles.assign(
        specimen="bar", field=field, carbide_class="carbide", ecd_um=ecd, area_um2=math.pi / 4 * ecd**2, weight=1.0,
        aspect_ratio=aspect, length_along_um=ecd * np.sqrt(aspect), width_across_um=ecd / np.sqrt(aspect), flags="",
    )  # fmt: skip
    fraction = particles.groupby("field")["area_um2"].sum().to_numpy() / 1e4
    table = columns.empty(columns.FIELDS).reindex(range(fields))
    table = table.assign(
        specimen="bar", field=np.unique(field), carbide_class="all", analysed_area_um2=1e4, area_fraction=fraction,
        area_fraction_low=fraction * (1 - 0.02 * 1.959964), area_fraction_high=fraction * (1 + 0.02 * 1.959964),
        number_per_mm2=carbides * 100.0, intercepts_along_per_mm=fraction * 400,
        intercepts_across_per_mm=fraction * 800,
    )  # fmt: skip
    return particles, table


def rows(table, carbide_class="all"):
    return table[table["carbide_class"] == carbide_class].set_index("quantity")


def test_area_fraction_is_mean_and_t_interval_of_the_fields_with_segmentation_added():
    """Mean, s and interval by hand: t of the combined degrees of freedom times both sources in quadrature."""
    particles, fields = study(np.random.default_rng(1))
    row = rows(summarise(particles, fields, None)).loc["area_fraction"]
    fraction = fields["area_fraction"].to_numpy()
    scatter, segmentation = fraction.std(ddof=1) / math.sqrt(6), 0.02 * fraction.mean()
    u = math.hypot(scatter, segmentation)
    half = student_t(5 * (u / scatter) ** 4) * u
    assert row["mean"] == pytest.approx(fraction.mean())
    assert row["std"] == pytest.approx(fraction.std(ddof=1))
    assert (row["ci95_low"], row["ci95_high"]) == pytest.approx((fraction.mean() - half, fraction.mean() + half))
    assert row["relative_accuracy_pct"] == pytest.approx(100 * half / fraction.mean())


def test_what_is_only_summed_may_be_kept_in_single_precision():
    """Rows of specimens.csv stay as they are to 1e-6, which more carbides only bring nearer."""
    particles, fields = study(np.random.default_rng(7), fields=8, carbides=800)
    narrow = particles.astype(dict.fromkeys(SUMMED_COLUMNS, np.float32))
    pd.testing.assert_frame_equal(summarise(narrow, fields, None), summarise(particles, fields, None), rtol=1e-6)


def test_anisotropy_and_orientation_are_those_of_the_standard():
    """AI = 2 and Ω12 = (2 - 1)/(2 + 0.571) where twice as many intercepts lie across (ASTM E1268, from memory)."""
    table = rows(summarise(*study(np.random.default_rng(2)), None))
    assert table.loc["anisotropy_index", "mean"] == pytest.approx(2)
    assert table.loc["degree_of_orientation", "mean"] == pytest.approx(1 / 2.571, abs=1e-4)


def test_means_over_carbides_are_those_by_numpy():
    """By number and by area; elongation is the sum of lengths over that of widths; the shape of small ones is none."""
    particles, fields = study(np.random.default_rng(9))
    particles.loc[0, ["flags", "aspect_ratio", "length_along_um"]] = "small", 50.0, 90.0
    shaped = particles[1:]
    mean, ecd = rows(summarise(particles, fields, None))["mean"], particles["ecd_um"]
    assert mean["mean_ecd"] == pytest.approx(ecd.mean())
    assert mean["area_weighted_ecd"] == pytest.approx(np.average(ecd, weights=particles["area_um2"]))
    assert mean["mean_aspect_ratio"] == pytest.approx(shaped["aspect_ratio"].mean())
    along, across = shaped["length_along_um"].sum(), shaped["width_across_um"].sum()
    assert mean["elongation_along_rolling"] == pytest.approx(along / across)


@pytest.mark.parametrize("rolling", [0.0, 30.0, 45.0, 90.0])
def test_pixels_that_are_not_square_enter_the_elongation(rolling):
    """Rows and columns drawn apart by 0.3 %: what AI and Ω12 change by, from the definition.

    A figure stretched by 1 + e along y has 1/(1 + e) as many crossings per length of a line along y and as many along
    x; along an angle φ, by the length that a pixel of that line has: 1/√(cos²φ + (1 + e)²·sin²φ).
    """
    particles, fields = study(np.random.default_rng(3))
    fields["rolling_deg"] = rolling
    budget = uncertainty_budget(particles, fields, 0.01).set_index(["quantity", "source"])["standard_uncertainty"]
    value = summarise(particles, fields, 0.01).set_index("quantity")["mean"]
    c, s = np.cos(np.radians(rolling)), np.sin(np.radians(rolling))
    stretch = 1.003
    index = value["anisotropy_index"] * np.hypot(c, stretch * s) / np.hypot(s, stretch * c)
    degree = (index - 1) / (index + np.pi / 2 - 1)
    assert budget["anisotropy_index", "scale"] == pytest.approx(
        abs(index - value["anisotropy_index"]), rel=0.01, abs=1e-5
    )
    assert budget["degree_of_orientation", "scale"] == pytest.approx(
        abs(degree - value["degree_of_orientation"]), rel=0.01, abs=1e-5
    )


def test_scale_enters_lengths_once_numbers_twice_and_ratios_not():
    """A pixel size known to 1 % adds 1 % to a diameter, 2 % to a number per area, nothing to an aspect ratio."""
    budget = uncertainty_budget(*study(np.random.default_rng(3)), 0.01).set_index(["quantity", "source"])
    scale = budget["standard_uncertainty"].xs("scale", level="source")
    mean = rows(summarise(*study(np.random.default_rng(3)), 0.01))["mean"]
    assert scale["mean_ecd"] == pytest.approx(0.01 * mean["mean_ecd"])
    assert scale["number_per_mm2"] == pytest.approx(0.02 * mean["number_per_mm2"])
    assert scale["mean_aspect_ratio"] == 0
    assert scale["area_fraction"] == 0


UNITS = {"µm": 1, "µm²": 2, "1/mm": -1, "1/mm²": -2}
AREAS = {"area_fraction": 1, "area_um2": 1, "ecd_um": 0.5}


@pytest.mark.parametrize(
    ("power", "declared"),
    [
        (lambda column: UNITS.get(column.unit, 0), lambda quantity: quantity.scale_power),
        (lambda column: AREAS.get(column.name, 0), lambda quantity: quantity.area_power),
    ],
    ids=["pixel size", "area of carbides"],
)
def test_every_quantity_goes_with_the_powers_that_it_declares(power, declared):
    """A pixel 1 % larger: lengths grow by 1 %, counts per area fall by 2 %; so for areas of carbides 1 % larger."""
    rng = np.random.default_rng(8)
    tables = dict(zip((columns.PARTICLES, columns.FIELDS), study(rng), strict=True))
    for spec, table in tables.items():
        for column in spec:
            if column.dtype == "float64" and table[column.name].isna().all():
                table[column.name] = rng.uniform(1, 2, len(table))
    tables[columns.FIELDS]["band_p_value"] = 0.01  # without bands there is no spacing to follow
    tables[columns.FIELDS]["unresolved_share"] = 0.1  # with more the shape is withheld
    grown = [
        table.assign(**{c.name: table[c.name] * 1.01 ** power(c) for c in spec if power(c)})
        for spec, table in tables.items()
    ]
    plain, larger = (rows(summarise(*pair, None))["mean"] for pair in (tables.values(), grown))
    # What follows the outlines is held in test_moved_outlines.py.
    for quantity in (q for q in QUANTITIES if not callable(declared(q))):
        expected = plain[quantity.name] * 1.01 ** declared(quantity)
        assert larger[quantity.name] == pytest.approx(expected, rel=1e-3), quantity.name


def test_the_largest_carbide_has_an_interval():
    """The largest seen lies inside the interval of the largest expected on as many fields."""
    particles, fields = study(np.random.default_rng(4))
    row = rows(summarise(particles, fields, None)).loc["largest_ecd"]
    assert row["mean"] == particles["ecd_um"].max()
    assert row["ci95_low"] < row["mean"] < row["ci95_high"]


@pytest.mark.parametrize(("number_uncertainty", "told"), [(0.1, True), (0.6, False), (np.nan, False)])
def test_the_largest_of_one_field_has_an_interval_where_the_number_is_sure(number_uncertainty, told):
    """Of another such field, in specimens.csv; where few clusters make the number, one field cannot tell."""
    particles, fields = study(np.random.default_rng(4))
    one = fields["field"].iloc[0]
    own = particles[particles["field"] == one], fields[fields["field"] == one]
    row = rows(summarise(own[0], own[1].assign(number_within_relative_uncertainty=number_uncertainty), None)).loc[
        "largest_ecd"
    ]
    assert row["mean"] == own[0]["ecd_um"].max()
    assert (row["ci95_low"] <= row["mean"] < row["ci95_high"]) == told
    assert (row["interval_of"] == "field") == told


def test_a_class_absent_from_a_field_counts_there_as_nothing():
    """Five fields of 0 and one of 6 % make a mean of 1 %."""
    particles, fields = study(np.random.default_rng(5))
    rare = fields.iloc[:1].assign(
        carbide_class="MC", area_fraction=0.06, area_fraction_low=0.06, area_fraction_high=0.06
    )
    row = rows(summarise(particles, pd.concat([fields, rare]), None), "MC").loc["area_fraction"]
    assert row["mean"] == pytest.approx(0.01)
    assert row["fields"] == 6


def test_one_field_has_values_without_intervals_and_none_an_empty_table():
    """Nothing is made up from a single field."""
    particles, fields = study(np.random.default_rng(6), fields=1)
    table = summarise(particles, fields, 0.01)
    assert table["mean"].notna().any()
    assert table[["std", "ci95_low", "ci95_high"]].isna().all(axis=None)
    nothing = summarise(columns.empty(columns.PARTICLES), columns.empty(columns.FIELDS), None)
    assert list(nothing.columns) == columns.names(columns.SPECIMENS)
    assert nothing.empty


@pytest.mark.study
def test_intervals_cover_what_they_say():
    """1 000 studies of 6 fields from a known population: 93 to 97 % of the intervals hold the truth."""
    rng = np.random.default_rng(7)
    names = ["area_fraction", "number_per_mm2", "mean_ecd", "mean_aspect_ratio", "ecd_d10", "ecd_d50", "ecd_d90"]
    particles, fields = study(rng, fields=20_000, carbides=40)
    fields = fields.assign(area_fraction_low=fields["area_fraction"], area_fraction_high=fields["area_fraction"])
    fields["number_per_mm2"] = rng.gamma(20, 200, len(fields))
    ecd = particles["ecd_um"].to_numpy()
    truth = [
        fields["area_fraction"].mean(),
        fields["number_per_mm2"].mean(),
        ecd.mean(),
        particles["aspect_ratio"].mean(),
    ]
    truth += [np.quantile(ecd, share) for share in (0.1, 0.5, 0.9)]
    held = np.zeros(len(names))
    blocks = np.arange(len(ecd)).reshape(20_000, 40)
    for _ in range(1000):
        drawn = rng.choice(20_000, 6, replace=False)
        table = rows(summarise(particles.iloc[blocks[drawn].ravel()], fields.iloc[drawn], None)).loc[names]
        held += (table["ci95_low"] <= truth) & (truth <= table["ci95_high"])
    print(dict(zip(names, held / 1000, strict=True)))
    assert ((held >= 930) & (held <= 970)).all()


def test_fields_that_agree_on_no_carbide_do_not_prove_it():
    """Three carbides expected in all leave none to be seen once in twenty (Poisson): more of them is refused."""
    particles, fields = study(np.random.default_rng(6))
    highest, area = 2e-4, fields["analysed_area_um2"].sum()
    nothing = fields.assign(
        area_fraction=0.0, area_fraction_low=0.0, area_fraction_high=highest, number_per_mm2=0.0,
        intercepts_along_per_mm=0.0, intercepts_across_per_mm=0.0,
    )  # fmt: skip
    found = rows(summarise(particles.iloc[:0], nothing, None))
    expected = -np.log(0.05)
    number, share = found.loc["number_per_mm2"], found.loc["area_fraction"]
    assert (number["mean"], number["ci95_low"]) == (share["mean"], share["ci95_low"]) == (0, 0)
    assert number["ci95_high"] == pytest.approx(expected / area * 1e6, rel=2e-3)
    assert share["ci95_high"] == pytest.approx(highest / len(fields))
    assert np.isnan(found.loc["intercepts_along", ["ci95_low", "ci95_high"]].to_numpy(float)).all()


def test_one_field_speaks_for_itself_and_says_so():
    """value·exp(±1.96·u) of its own sampling error, with segmentation in quadrature; other quantities stay unknown."""
    particles, fields = study(np.random.default_rng(4), fields=1)
    u = 0.05
    one = fields.assign(area_fraction_within_relative_uncertainty=u)
    table = rows(summarise(particles, one, None))
    row = table.loc["area_fraction"]
    value = fields["area_fraction"].iloc[0]
    above = math.hypot(value * (math.exp(1.959964 * u) - 1), 1.959964 * 0.02 * value)
    below = math.hypot(value * (1 - math.exp(-1.959964 * u)), 1.959964 * 0.02 * value)
    assert (row["ci95_low"], row["ci95_high"]) == pytest.approx((value - below, value + above), rel=1e-4)
    assert (row["interval_of"], table.loc["number_per_mm2", "interval_of"]) == ("field", "")
    assert math.isnan(table.loc["number_per_mm2", "ci95_low"])
    several = rows(summarise(*study(np.random.default_rng(5)), None))
    assert several.loc["area_fraction", "interval_of"] == "specimen"


def test_one_field_tells_the_orientation_by_its_intercepts_and_the_order_by_what_is_above_none():
    """AI 2 to 5 %: Ω12 = (AI - 1)/(AI + π/2 - 1) moves by AI·π/2/(AI + π/2 - 1)² of that (derived).

    An order of -0.2, to 3 % of 1 - 0.2. The segmentation is sure here.
    """
    particles, fields = study(np.random.default_rng(9), fields=1)
    fields = fields.assign(
        area_fraction_low=fields["area_fraction"], area_fraction_high=fields["area_fraction"], orientation_order=-0.2,
        anisotropy_within_relative_uncertainty=0.05, orientation_order_within_relative_uncertainty=0.03,
    )  # fmt: skip
    own = rows(summarise(particles, fields, 0.0))
    moved = 2 * math.pi / 2 / (2 + math.pi / 2 - 1) ** 2
    for name, value, half in (
        ("degree_of_orientation", 1 / (2 + math.pi / 2 - 1), moved * 0.05 * 1.959964),
        ("orientation_order", -0.2, 0.8 * 0.03 * 1.959964),
    ):
        row = own.loc[name]
        assert row["mean"] == pytest.approx(value)
        assert (row["ci95_high"] - row["ci95_low"]) / 2 == pytest.approx(half, rel=0.02)
        assert row["interval_of"] == "field"


def test_carbides_of_no_known_field_enter_no_quantity():
    """Of a field that is not in the table, or of none: number, size and largest are those of the others."""
    particles, fields = study(np.random.default_rng(9))
    strange = particles.head(40).assign(field=["elsewhere", None] * 20, ecd_um=50.0, area_um2=2000.0)
    mixed = pd.concat([particles, strange], ignore_index=True)
    plain, found = (rows(summarise(p, fields, None)) for p in (particles, mixed))
    for name in ("mean_ecd", "area_weighted_ecd", "largest_ecd", "ecd_d90"):
        assert found.loc[name, "mean"] == plain.loc[name, "mean"]


def test_three_fields_that_lie_close_hear_what_each_shows_within():
    """Variances joined by their degrees of freedom, 2 and 3 × 16 (Satterthwaite), each field's undone of its own t.

    They lie so close that their own scatter has next to no weight.
    """
    particles, table = study(np.random.default_rng(3), fields=3)
    fraction = np.array([0.0999, 0.1, 0.1001])
    relative = np.array([0.05, 0.08, 0.12])
    table = table.assign(
        area_fraction=fraction, area_fraction_low=fraction, area_fraction_high=fraction,
        area_fraction_within_relative_uncertainty=relative,
    )  # fmt: skip
    row = rows(summarise(particles, table, 0.0)).loc["area_fraction"]
    within = np.sqrt(np.sum((0.1 * relative * 1.959964 / stats.t.ppf(0.975, 16)) ** 2)) / 3
    joined = np.sqrt((2 * np.var(fraction, ddof=1) / 3 + 48 * within**2) / 50)
    half = WEIGHT_OF_JOINED * stats.t.ppf(0.975, 50) * joined
    assert (row["ci95_low"], row["ci95_high"]) == pytest.approx((0.1 - half, 0.1 + half), rel=1e-4)
