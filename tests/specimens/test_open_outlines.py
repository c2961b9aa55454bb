"""Numbers and sizes by other readings of the outlines, against the same by hand."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from micro.comparison.measured import MeasuredSpecimen
from micro.comparison.sides import sides_of
from micro.specimens.class_data import class_data, withheld
from micro.specimens.open_outlines import moved_across_limit, open_ends, other_readings
from micro.specimens.quantities import BY_NAME
from micro.specimens.summary import summarise
from micro.tables import columns

ECD = np.array([1.0, 1.0, 1.0, 2.0, 4.0, 4.0, 5.0, 8.0])


def bar(flags, ecd=ECD, aspect=2.0, resolved=0.5, fields=2):
    """Carbides of so many like fields of 1 mm², each of weight 1 and one aspect ratio, across rolling."""
    size = len(ecd)
    aspect = np.broadcast_to(np.asarray(aspect, float), size)
    particles = columns.empty(columns.PARTICLES).reindex(range(size * fields))
    each = {
        "ecd_um": ecd, "area_um2": math.pi / 4 * ecd**2, "aspect_ratio": aspect, "flags": flags,
        "width_across_um": ecd * np.sqrt(aspect), "length_along_um": ecd / np.sqrt(aspect),
    }  # fmt: skip
    every = {name: np.tile(np.asarray(value), fields) for name, value in each.items()}
    field = np.repeat([f"f{k}" for k in range(fields)], size)
    particles = particles.assign(specimen="bar", field=field, carbide_class="carbide", weight=1.0, **every)
    fraction = float(each["area_um2"].sum()) / 1e6
    table = columns.empty(columns.FIELDS).reindex(range(fields)).assign(
        specimen="bar", field=[f"f{k}" for k in range(fields)], carbide_class="all", analysed_area_um2=1e6,
        area_fraction=fraction, area_fraction_low=0.9 * fraction, area_fraction_high=1.1 * fraction,
        number_per_mm2=float(size), surface_per_volume_per_mm=4 / math.pi * float((math.pi * ecd).sum()) / 1e3,
        resolved_diameter_um=resolved, unresolved_share=0.0,
    )  # fmt: skip
    return particles, table


def ends(name, value, data):
    return open_ends(BY_NAME[name], value, data, other_readings(data))


def test_doubtful_outlines_open_the_interval_to_the_carbides_without_them():
    """Of 1, 1, 1, 2, 4, 4, 5, 8 µm the three of 1 µm may be none: 5 in place of 8, of 4.6 µm in place of 3.25."""
    data = class_data(*bar(["doubtful"] * 3 + [""] * 5), "all")
    assert ends("number_per_mm2", 8.0, data) == (pytest.approx(-3.0), 0.0)
    assert ends("mean_ecd", 3.25, data) == (0.0, pytest.approx(4.6 - 3.25))
    assert ends("ecd_d50", 2.0, data) == (0.0, pytest.approx(4.0 - 2.0))
    assert ends("surface_per_volume", 26.0, data) == (pytest.approx(-3.0), 0.0)
    assert ends("area_fraction", 0.5, data) == (0.0, 0.0)  # its own ends hold it


def test_faint_outlines_open_it_to_as_many_more_of_them():
    data = class_data(*bar(["faint"] * 2 + [""] * 6), "all")
    assert ends("number_per_mm2", 8.0, data) == (0.0, pytest.approx(2.0))
    assert ends("mean_ecd", 3.25, data) == (pytest.approx(28 / 10 - 3.25), 0.0)


def test_neighbours_lie_further_apart_without_what_may_be_none_and_nearer_with_more():
    """One over the root of the number: 8 carbides, 5 without the doubtful, 10 with two more like the faint."""
    data = class_data(*bar(["doubtful"] * 3 + [""] * 5), "all")
    assert ends("nearest_neighbour", 20.0, data) == (0.0, pytest.approx(20 * math.sqrt(8 / 5) - 20))
    data = class_data(*bar(["faint"] * 2 + [""] * 6), "all")
    assert ends("nearest_neighbour", 20.0, data) == (pytest.approx(20 * math.sqrt(8 / 10) - 20), 0.0)


def test_round_outlines_that_may_be_none_dilute_what_lies_across():
    """Five carbides of aspect 4, all across rolling, and three discs of 4 µm: order 1/(1 - share of the discs)."""
    ecd = np.array([4.0, 4, 4, 2, 4, 4, 5, 8])
    data = class_data(*bar(["doubtful"] * 3 + [""] * 5, ecd, [1.0] * 3 + [4.0] * 5), "all")
    carbides, discs = float(2 * ecd[3:].sum()), 12.0  # longer axes: ECD·√4
    order = -carbides / (carbides + discs)
    low, high = ends("orientation_order", order, data)
    assert (low, high) == (pytest.approx(-1 - order, abs=1e-3), 0.0)
    index = (carbides / 4 + discs) / (carbides + discs)
    assert ends("anisotropy_index", index, data) == (pytest.approx(1 / 4 - index), 0.0)


def test_two_in_one_outline_are_each_others_neighbours():
    """That of 8 µm and aspect 2 is 8·√2 µm long: two in it lie half of that apart, the seven others as before."""
    data = class_data(*bar([""] * 7 + ["concave"]), "all")
    apart = (7 * 20 + 2 * 8 * math.sqrt(2) / 2) / 9
    assert ends("nearest_neighbour", 20.0, data) == (pytest.approx(apart - 20), 0.0)


@pytest.mark.parametrize(
    ("name", "high"), [("concave_share", 3 / 16), ("stringer_share", 4 * 3 / 16), ("stringer_share_at_random", 0.75)]
)
def test_none_seen_in_any_field_leaves_three_open(name, high):
    """Sixteen carbides in two fields, none of the kind: up to three of them, or three rows of four."""
    particles, fields = bar([""] * 8)
    fields = fields.assign(particles=8.0, concave_share=0.0, stringer_share=0.0, stringer_share_at_random=0.0)
    row = summarise(particles, fields, 0.0).query(f"carbide_class == 'all' and quantity == '{name}'").iloc[0]
    assert (row["mean"], row["ci95_low"]) == (0.0, 0.0)
    assert row["ci95_high"] == pytest.approx(high, rel=1e-3)


def test_a_concave_outline_may_be_two():
    """The one of 8 µm and aspect 2: two of 8/√2 µm, round; as much outline as before."""
    data = class_data(*bar([""] * 7 + ["concave"]), "all")
    assert ends("number_per_mm2", 8.0, data) == (0.0, pytest.approx(1.0))
    assert ends("mean_ecd", 3.25, data) == (0.0, pytest.approx((18 + 2 * 8 / math.sqrt(2)) / 9 - 3.25))
    assert ends("mean_aspect_ratio", 2.0, data) == (pytest.approx((7 * 2 + 2 * 1) / 9 - 2), 0.0)
    assert ends("surface_per_volume", 26.0, data) == (0.0, 0.0)


def test_without_a_flag_nothing_opens():
    data = class_data(*bar([""] * 8), "all")
    assert other_readings(data) == []


def test_where_most_are_in_doubt_what_counts_all_alike_is_unknown():
    for flags, told in ((["doubtful"] * 2 + ["faint"] * 3 + [""] * 3, False), (["faint"] * 4 + [""] * 4, True)):
        particles, fields = bar(flags)
        row = summarise(particles, fields, None).set_index("quantity")["mean"]
        assert np.isfinite(row["number_per_mm2"]) == np.isfinite(row["ecd_d90"]) == told
        assert np.isfinite(row[["area_fraction", "area_weighted_ecd", "ecd_d50_by_area", "largest_ecd"]]).all()
        assert ("mean_ecd" in withheld(class_data(particles, fields, "all"))) != told


def test_a_kind_that_may_be_no_carbide_keeps_its_own_rows():
    """A faint kind of three beside another of five: all together may be five, the kind itself is three."""
    particles, fields = bar(["doubtful"] * 3 + [""] * 5)
    kind = np.tile(["faint"] * 3 + ["strong"] * 5, 2)
    own = fields.assign(carbide_class="faint", number_per_mm2=3.0)
    data = class_data(particles.assign(carbide_class=kind), pd.concat([fields, own]), "faint")
    assert other_readings(data) == [] and not withheld(data)
    assert withheld(class_data(*bar(["doubtful"] * 8), "all"))


def test_shapes_of_outlines_without_tips_enter_no_mean():
    """Two of aspect 4 were drawn in a strong texture: the mean is that of the others; of all eight it is unknown."""
    aspect = np.array([4.0, 4.0, *[1.5] * 6])
    for flags, expected in ((["blunt"] * 2 + [""] * 6, 1.5), (["blunt"] * 8, math.nan)):
        row = summarise(*bar(flags, aspect=aspect), None).set_index("quantity")["mean"]
        assert row["mean_aspect_ratio"] == pytest.approx(expected, nan_ok=True)
        assert row["elongation_along_rolling"] == pytest.approx(1 / expected, rel=0.01, nan_ok=True)


def test_outlines_that_move_put_carbides_beyond_the_resolved_diameter():
    """Discs of 1 and 2 µm about a limit of 1.5: moved by 0.5 µm and more all are on one side of it, by less none is."""
    ecd = np.array([1.0, 2.0])
    particles, fields = bar(["small", ""], ecd=ecd, aspect=[1.0, 2.0], resolved=1.5)
    data = class_data(particles, fields, "all")
    diameter_by_area = 2e3 * data.outlines.shift  # µm of diameter by relative change of area
    half = 1.959964
    share = BY_NAME["unresolved_share"]
    assert moved_across_limit(share, 0.2, data, 0.45 / diameter_by_area / half) == 0.0
    # Of 1 + 4 parts of area one lies below; then none or all does, and the larger change counts.
    assert moved_across_limit(share, 0.2, data, 0.55 / diameter_by_area / half) == pytest.approx(0.8 / half)
    shape = BY_NAME["mean_aspect_ratio"]
    assert moved_across_limit(shape, 2.0, data, 0.55 / diameter_by_area / half) == pytest.approx(0.5 / half)
    assert moved_across_limit(BY_NAME["mean_ecd"], 1.5, data, 1.0) == 0.0


def test_a_comparison_takes_what_is_in_doubt_for_uncertainty():
    """Two bars of the same carbides, with pieces of boundaries in one: its mean is lower, and so much less sure."""
    rng = np.random.default_rng(3)
    ecd = rng.lognormal(1.2, 0.3, 60)
    pieces = np.full(20, 1.0)
    bars = [
        MeasuredSpecimen(name, fields, particles)
        for name, (particles, fields) in (
            ("plain", bar([""] * 60, ecd=ecd, fields=4)),
            ("etched", bar([""] * 60 + ["doubtful"] * 20, ecd=np.concatenate([ecd, pieces]), fields=4)),
        )
    ]
    bars = [replace(one, fields=one.fields.assign(um_per_px=0.1)) for one in bars]
    data = [class_data(one.particles, one.fields, "all") for one in bars]
    quantity = BY_NAME["mean_ecd"]
    plain, etched = sides_of(quantity, quantity.measure, tuple(bars), tuple(data))
    apart = plain.value - etched.value
    assert apart > 0.4
    assert etched.shared * etched.value == pytest.approx(
        math.hypot(plain.shared * etched.value, apart / math.sqrt(3)), rel=0.05
    )


def test_outlines_in_doubt_that_are_small_leave_the_largest_as_sure():
    """Fields whose largest are of 6 to 9 µm: their mean is compared, not the largest of all, which is 9 either way."""
    particles, fields = bar([""] * 8, fields=4)
    grown = particles["ecd_um"].eq(8.0).to_numpy()
    particles.loc[grown, "ecd_um"] = [6.0, 7.0, 8.0, 9.0]
    doubted = particles.assign(flags=np.where(particles["ecd_um"] == 1.0, "faint", ""))
    pair = tuple(
        MeasuredSpecimen(name, fields.assign(um_per_px=0.1), own) for name, own in (("a", particles), ("b", doubted))
    )
    quantity = BY_NAME["largest_ecd"]
    data = tuple(class_data(one.particles, one.fields, "all") for one in pair)
    sure, faint = sides_of(quantity, quantity.measure, pair, data)
    assert (sure.value, faint.value) == (7.5, 7.5)
    assert faint.shared == pytest.approx(sure.shared)
