"""What the area's uncertainty does to totals of outlines: outlines are moved, by geometry and on a picture."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy.spatial import cKDTree

from micro.comparison.measured import MeasuredSpecimen
from micro.comparison.sides import sides_of
from micro.specimens.class_data import OutlineTotals, class_data
from micro.specimens.quantities import BY_NAME
from micro.specimens.summary import summarise
from micro.tables import columns

AREA = 1e6


def one_field(axes, number):
    """Return a field of 1 mm² that holds so many ellipses of semi-axes (a along, b across rolling), µm, by formula."""
    a, b = (np.asarray(v, float) for v in zip(*axes, strict=True))
    number = np.asarray(number, float)
    eccentric = 1 - (b / a) ** 2
    from scipy.special import ellipe

    per_mm2 = {
        "area_fraction": float(number @ (math.pi * a * b)) / AREA,
        "number_per_mm2": float(number.sum()),
        "intercepts_along_per_mm": float(number @ (2 * b)) / AREA * 1e3,
        "intercepts_across_per_mm": float(number @ (2 * a)) / AREA * 1e3,
        "surface_per_volume_per_mm": 4 / math.pi * float(number @ (4 * a * ellipe(eccentric))) / AREA * 1e3,
    }
    fields = columns.empty(columns.FIELDS).reindex(range(1))
    return fields.assign(field="f", carbide_class="all", analysed_area_um2=AREA, rolling_deg=0.0, **per_mm2)


def moved(fields, axes, number, by):
    """Return the same with every outline moved outwards: area by Steiner's formula, widths by twice the distance."""
    length = float(fields["surface_per_volume_per_mm"].iloc[0]) * math.pi / 4  # mm/mm²
    total = float(np.sum(number))
    change = {
        "area_fraction": length * by * 1e-3 + math.pi * by**2 * total / AREA,
        "intercepts_along_per_mm": 2 * by * total / AREA * 1e3,
        "intercepts_across_per_mm": 2 * by * total / AREA * 1e3,
        "surface_per_volume_per_mm": 8 * by * total / AREA * 1e3,
    }
    return fields.assign(**{name: fields[name] + more for name, more in change.items()})


NAMES = (
    "intercepts_along", "intercepts_across", "anisotropy_index", "degree_of_orientation", "mean_free_path",
    "mean_band_spacing", "mean_chord_along", "mean_chord_across", "surface_per_volume",
)  # fmt: skip


@pytest.mark.parametrize("axes", [[(4, 4)], [(1, 1), (9, 9)], [(6, 3)], [(12, 2), (2, 2)], [(3, 5), (8, 4)]])
def test_every_quantity_moves_as_it_does_when_its_outlines_are_moved(axes):
    number = [700, 900][: len(axes)]
    fields = one_field(axes, number)
    data, step = class_data(columns.empty(columns.PARTICLES), fields, "all"), 1e-5
    more, less = (
        class_data(columns.empty(columns.PARTICLES), moved(fields, axes, number, by), "all") for by in (step, -step)
    )

    def value(name, of):
        measure = BY_NAME[name].measure
        return float(measure.numerator(of)[0] / measure.denominator(of)[0])

    grown = (value("area_fraction", more) - value("area_fraction", less)) / value("area_fraction", data)
    for name in NAMES:
        truth = (value(name, more) - value(name, less)) / grown
        assert BY_NAME[name].moved_by_area(value(name, data), data) == pytest.approx(abs(truth), rel=1e-5, abs=1e-8)


def test_discs_of_one_size_move_by_half_and_mixtures_by_more():
    """N_L = 2rN and A = πr²N: half of its relative change. Of r = 1 and 9 alike: 82π/20π·2·2/20 = 0.82."""
    equal = OutlineTotals(fraction=math.pi * 16, number=1.0, surface=32.0)
    assert equal.of_intercepts(8.0) == pytest.approx(0.5)
    assert equal.of_surface == pytest.approx(0.5)
    mixed = OutlineTotals(fraction=math.pi * 82, number=2.0, surface=8 * 10.0)
    assert mixed.of_intercepts(20.0) == pytest.approx(0.82)
    assert mixed.of_surface == pytest.approx(0.82)


def test_a_class_without_carbides_has_no_sensitivity():
    nothing = OutlineTotals(0.0, 0.0, 0.0)
    assert math.isnan(nothing.of_surface)
    assert math.isnan(nothing.of_intercepts(0.0))


def test_pixels_of_one_size_do_not_make_specimens_differ_that_lie_alike():
    """AI of two bars: alike under the camera 0; one turned by 90° twice 0.3 %; under two cameras 0.3 % each."""
    fields = pd.concat([one_field([(6, 3)], [700]).assign(field=f"f{n}", um_per_px=0.2) for n in range(3)])
    turned, other = fields.assign(rolling_deg=90.0), fields.assign(um_per_px=0.3)
    known = fields.assign(um_per_px=0.4, pixel_height_over_width_standard_uncertainty=1e-4)
    quantity, bare = BY_NAME["anisotropy_index"], fields.assign(area_fraction_low=np.nan, area_fraction_high=np.nan)
    none = columns.empty(columns.PARTICLES)
    expected = ((bare, (0.0, 0.0)), (turned, (0.006 / 2**0.5,) * 2), (other, (0.003, 0.003)), (known, (0.003, 1e-4)))
    for second, shared in expected:
        pair = (MeasuredSpecimen("A", bare, none), MeasuredSpecimen("B", second, none))
        data = (class_data(none, bare, "all"), class_data(none, second, "all"))
        sides = sides_of(quantity, quantity.measure, pair, data)
        assert tuple(side.shared for side in sides) == pytest.approx(shared, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(("second_deg", "apart"), [(0.0, 0.0), (90.0, 2.0), (45.0, 1.0)])
def test_the_degree_of_orientation_of_two_bars_errs_by_pixels_as_they_lie(second_deg, apart):
    """Ω12 = (A − 1)/(A + κ), κ = π/2 − 1, moves by A(1 + κ)/(A + κ)² per relative change of A, here 2, at cos 2φ."""
    first = pd.concat([one_field([(6, 3)], [700]).assign(field=f"f{n}", um_per_px=0.2) for n in range(3)])
    first = first.assign(area_fraction_low=np.nan, area_fraction_high=np.nan)
    pair = (first, first.assign(rolling_deg=second_deg))
    quantity, none, kappa = BY_NAME["degree_of_orientation"], columns.empty(columns.PARTICLES), math.pi / 2 - 1
    data = tuple(class_data(none, own, "all") for own in pair)
    bars = tuple(MeasuredSpecimen(name, own, none) for name, own in zip("AB", pair, strict=True))
    moved_by = 0.003 * 2 * (1 + kappa) / (2 + kappa) ** 2
    shared = apart * moved_by / math.sqrt(2) * (2 + kappa)  # of the value, 1/(2 + κ); half of its square to either side
    sides = sides_of(quantity, quantity.measure, bars, data)
    assert [side.shared for side in sides] == pytest.approx([shared] * 2, rel=1e-6, abs=1e-12)


def test_half_of_what_lobes_add_is_in_doubt():
    """Lobes that add 8 % to the lines along: 4 % of N_L along, and as much of AI and λ, in which they enter once."""
    fields = one_field([(6, 3)], [700]).assign(lobes_along=0.08, lobes_across=0.0)
    data = class_data(columns.empty(columns.PARTICLES), fields, "all")
    for name, power in [("intercepts_along", 1), ("anisotropy_index", 1), ("intercepts_across", 0)]:
        assert BY_NAME[name].moved_by_lobes(5.0, data) == pytest.approx(5.0 * 0.04 * power), name


def test_lobes_along_and_across_cancel_in_the_anisotropy_index_as_far_as_they_are_alike():
    """N_L across over along: 4 % of each, alike to three quarters: √(1 + 1 − 2·0.75) of 4 %."""
    fields = one_field([(6, 3)], [700]).assign(lobes_along=0.08, lobes_across=0.08)
    data = class_data(columns.empty(columns.PARTICLES), fields, "all")
    assert BY_NAME["anisotropy_index"].moved_by_lobes(2.0, data) == pytest.approx(2.0 * 0.04 * math.sqrt(0.5))


@pytest.mark.parametrize("filled", [0.15, 0.2])
def test_neighbours_over_random_moves_as_discs_at_random_do(filled):
    """Discs thrown at random without overlap, and as many a fifth larger in area, lie so much further apart.

    16 000 on a torus: ln of the mean distance over ln of the area has a standard error of 0.013.
    """
    count, rng = 16_000, np.random.default_rng(5)
    radius = math.sqrt(1 / math.pi)
    frame = math.sqrt(count / filled)

    def mean_distance(wanted):
        placed = np.empty((0, 2))
        while len(placed) < count:
            tried = rng.uniform(0, frame, (count - len(placed), 2))
            tree = cKDTree(np.concatenate([placed, tried]), boxsize=frame)
            pairs = tree.query_pairs(2 * wanted, output_type="ndarray")
            kept = np.ones(len(placed) + len(tried), bool)
            kept[pairs.max(axis=1)] = False  # the later of two that overlap
            placed = tree.data[kept]
        return cKDTree(placed, boxsize=frame).query(placed, k=2)[0][:, 1].mean()

    seen = math.log(mean_distance(radius * math.sqrt(1.2)) / mean_distance(radius)) / math.log(1.2)
    fields = one_field([(radius, radius)], [AREA * filled])
    data = class_data(columns.empty(columns.PARTICLES), fields, "all")
    assert BY_NAME["neighbour_ratio"].moved_by_area(1.0, data) == pytest.approx(seen, rel=0.25)


def test_the_mean_diameter_of_unequal_discs_moves_by_more_than_half_as_much_as_their_area():
    """Discs of 1 and 9, as many of each: outlines moved by 0.001 widen each by 0.002; the sums are by hand."""
    diameter = np.array([1.0, 9.0])
    area, outline = np.pi / 4 * (diameter**2).mean(), np.pi * diameter.mean()
    totals = OutlineTotals(area, 1.0, 4 / np.pi * outline)
    larger = np.pi / 4 * ((diameter + 0.002) ** 2).mean()
    assert totals.of_mean_diameter(5.0) == pytest.approx(0.002 / 5 / (larger / area - 1), rel=1e-3)
    assert totals.of_mean_diameter(5.0) == pytest.approx(0.82)
    one = OutlineTotals(np.pi / 4, 1.0, 4.0)
    assert one.of_mean_diameter(1.0) == pytest.approx(0.5)


def carbides(a, b, by=0.0):
    """Return ellipses of full axes a along and b across rolling, µm, one of each, moved outwards by a distance."""
    a, b = np.asarray(a) + 2 * by, np.asarray(b) + 2 * by
    shape = {"aspect_ratio": a / b, "length_along_um": a, "width_across_um": b, "ecd_um": np.sqrt(a * b)}
    table = pd.DataFrame({"field": "f", "carbide_class": "all", "flags": "", "weight": 1.0, **shape})
    return pd.concat([columns.empty(columns.PARTICLES), table]).assign(area_um2=np.pi / 4 * a * b)


@pytest.mark.parametrize("name", ["mean_aspect_ratio", "elongation_along_rolling", "ecd_d10", "ecd_d50"])
def test_shapes_and_small_sizes_follow_outlines_that_move(name):
    """Rods grow stouter, and small carbides by more of their size than large ones; the axes are moved by hand."""
    a = np.array([3.0, 6.0, 9.0, 9.0, 12.0])
    b = a if name.startswith("ecd") else np.array([2.5, 3.0, 3.0, 5.0, 5.0])
    fields = one_field(list(zip(a / 2, b / 2, strict=True)), np.ones(5))
    plain, more, less = (class_data(carbides(a, b, by), fields, "all") for by in (0.0, 1e-4, -1e-4))
    grown = 2e-4 * float(fields["surface_per_volume_per_mm"].iloc[0]) * math.pi / 4 * 1e-3
    quantity = BY_NAME[name]
    value, *ends = (quantity.estimate(data).value for data in (plain, more, less))
    truth = abs(ends[0] - ends[1]) / grown * float(fields["area_fraction"].iloc[0])
    assert quantity.moved_by_area(value, plain) == pytest.approx(truth, rel=1e-3)


def test_scatter_across_rolling_follows_outlines_that_move():
    """√Σa²/Σa, which band contrast goes as: small carbides gain more of their area, so that many count."""
    d = np.array([2.0, 3.0, 5.0, 5.0, 11.0])
    fields = one_field(list(zip(d / 2, d / 2, strict=True)), np.ones(5))

    def scatter(by):
        area = (d + 2 * by) ** 2
        return math.sqrt(float(area @ area)) / float(area.sum())

    step = 1e-4
    grown = 2 * step * float(fields["surface_per_volume_per_mm"].iloc[0]) * math.pi / 4 * 1e-3
    truth = (scatter(step) - scatter(-step)) / scatter(0) / grown * float(fields["area_fraction"].iloc[0])
    data = class_data(carbides(d, d), fields, "all")
    for name in ("band_contrast", "band_contrast_at_random"):
        assert truth < 0
        assert BY_NAME[name].moved_by_area(1.0, data) == pytest.approx(-truth, rel=1e-3)


def test_doubt_of_directed_edges_moves_what_sets_along_against_across():
    """AI and length over width by all of it, each intercept by half, what has no direction not at all."""
    fields = one_field([(4, 4)], [900]).assign(proportion_by_edges=0.02, order_by_outlines=0.05)
    data = class_data(columns.empty(columns.PARTICLES), fields, "all")
    moved = {name: BY_NAME[name].moved_by_edges(2.0, data) for name in BY_NAME}
    assert moved["anisotropy_index"] == moved["elongation_along_rolling"] == pytest.approx(0.04)
    assert moved["intercepts_along"] == moved["intercepts_across"] == moved["mean_free_path"] == pytest.approx(0.02)
    assert moved["orientation_order"] == 0.05
    assert moved["area_fraction"] == moved["mean_ecd"] == moved["surface_per_volume"] == 0


def test_bands_of_one_spacing_in_all_fields_are_not_known_without_error():
    """Waves lie on a grid: three fields at 30 µm, each unsure by 3 µm, are 30 µm give or take 3/√3·1.96 at least."""
    own = pd.concat([one_field([(4, 4)], [900])] * 4, ignore_index=True)
    own = own.assign(
        field=list("abcd"),
        specimen="s",
        band_p_value=[0.01, 0.01, 0.01, 0.6],
        band_spacing_um=[30.0, 30.0, 30.0, np.nan],
        band_spacing_standard_uncertainty_um=[3.0, 3.0, 3.0, np.nan],
    )
    some = carbides([4.0], [4.0]).assign(field="a", specimen="s")
    table = summarise(some, own, 0.0).set_index(["carbide_class", "quantity"])
    row = table.loc["all", "band_spacing"]
    assert row["mean"] == pytest.approx(30)
    assert row["ci95_high"] - 30 == pytest.approx(1.96 * 3 / math.sqrt(3), rel=1e-3)
