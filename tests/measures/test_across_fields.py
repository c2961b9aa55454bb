"""The same place twice is found among many fields, and only there."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from invented_fields import jpeg, measured, plain

from micro.measures.study_checks import check_across, find_overlaps
from micro.segmentation.blurred_shapes import blur_of_resolved_px, resolved_diameter_px
from micro.tables.columns import PARTICLES
from micro.tables.units import to_um

FRAME = 1024.0


def strewn(rng, count):
    return rng.uniform(0, FRAME, (rng.poisson(count), 2))


def photographed_again(place, shift, rng, count):
    """Carbides of the part that the shifted frame shares, one in twenty lost, 0.2 px off, and new ones beside."""
    seen = place - shift
    seen = seen[((seen > 0) & (seen < FRAME)).all(axis=1)]
    seen = seen[rng.uniform(size=len(seen)) > 0.05] + rng.normal(0, 0.2, (1, 2))
    fresh = strewn(rng, count)
    beside = fresh[((fresh + shift > FRAME) | (fresh + shift < 0)).any(axis=1)]
    return np.vstack([seen + rng.normal(0, 0.2, seen.shape), beside])


def test_overlapping_fields_are_found_among_sound_ones():
    """Two fields in sixty share 30 % of the frame; the shift comes out within a pixel."""
    rng = np.random.default_rng(5)
    places = [strewn(rng, 250) for _ in range(60)]
    shift = np.array([0.7 * FRAME, 0.0])
    places[41] = photographed_again(places[7], shift, rng, 250)
    (found,) = find_overlaps(places)
    assert (found.first, found.second) == (7, 41)
    assert (found.shift_x_px, found.shift_y_px) == pytest.approx((-shift[0], 0.0), abs=1.0)
    assert found.share == pytest.approx(0.3, abs=0.03)


def test_one_pair_is_found_among_a_thousand_fields():
    """300 carbides each, half a million pairs: no other is taken for one."""
    rng = np.random.default_rng(6)
    places = [strewn(rng, 300) for _ in range(1000)]
    places[900] = places[100] + rng.normal(0, 0.1, places[100].shape)
    assert [(o.first, o.second) for o in find_overlaps(places)] == [(100, 900)]


def test_fields_with_few_carbides_or_none_are_no_trouble():
    assert find_overlaps([np.empty((0, 2)), np.array([[5.0, 5.0]]), np.array([[1.0, 2.0], [8.0, 9.0]])]) == []
    assert find_overlaps([]) == []


def table(names, **values):
    rows = {"carbide_class": "all", "um_per_px": 0.2, "resolved_diameter_um": 0.8, "particles": 50}
    rows |= {"area_fraction": 0.05, "mean_ecd_um": 1.5, "number_per_mm2": 3000.0} | values
    return pd.DataFrame({"specimen": [s for s, _ in names], "field": [f for _, f in names], **rows})


NOTHING = pd.DataFrame({n: pd.Series(dtype=t) for n, t in (("specimen", "str"), ("field", "str"), ("x_um", "float64"),
                                                           ("y_um", "float64"), ("ecd_um", "float64"))})  # fmt: skip


def told(found):
    return {name: [t.flag for t in troubles] for name, troubles in found.items()}


def test_the_same_file_twice_is_told_on_both_fields():
    names = [("A", "a1"), ("A", "a2"), ("B", "b1")]
    found = check_across([NOTHING], table(names), dict(zip(names, ("x", "y", "x"), strict=True)))
    assert told(found) == {("A", "a1"): ["duplicated"], ("B", "b1"): ["duplicated"]}
    assert "the same picture as B b1 (2 fields in all)" in found["A", "a1"][0].text


def test_many_copies_are_counted_and_few_of_them_named():
    """What a field says does not grow with the number of its copies."""
    names = [("A", f"a{k}") for k in range(6)]
    found = check_across([NOTHING], table(names), dict.fromkeys(names, "x"))
    assert "A a0, A a1, A a2 (6 fields in all)" in found["A", "a5"][0].text
    assert "A a0, A a2, A a3 (6 fields in all)" in found["A", "a1"][0].text


def test_the_same_picture_in_another_format_is_told():
    """JPEG 60 of a picture has other bytes and greys, and the same carbides."""
    grey = plain(2).photographed()
    names = [("A", "a1"), ("B", "b1"), ("B", "b2")]
    pictures = (grey, jpeg(grey, 60), plain(3).photographed())
    particles = pd.concat(
        [
            to_um(measured(p)[2], PARTICLES, 0.2).assign(specimen=s, field=f)
            for p, (s, f) in zip(pictures, names, strict=True)
        ]
    )
    found = check_across((particles[:100], particles[100:]), table(names), {})
    assert told(found) == {("A", "a1"): ["duplicated"], ("B", "b1"): ["duplicated"]}
    twice = check_across((particles,), table(names), dict(zip(names, "xyy", strict=True)))
    for name in names:
        assert "(3 fields in all)" in twice[name][0].text, "a copy of a copy is one too"


def test_a_soft_field_and_one_of_another_scale_are_told():
    names = [("A", f"a{k}") for k in range(6)] + [("B", "b0")]
    blurs = (1.0, 1.02, 0.98, 1.0, 1.9, 1.01, 1.0)
    soft = table(names, resolved_diameter_um=[0.2 * resolved_diameter_px(blur) for blur in blurs])
    found = check_across([NOTHING], soft, {})
    assert told(found) == {("A", "a4"): ["soft_focus"]}
    assert "over 1.9 px, those of the specimen's other fields over 1.0 px" in found["A", "a4"][0].text
    mixed = check_across([NOTHING], table(names, um_per_px=[0.2] * 6 + [0.5]), {})
    assert set(told(mixed)) == set(names)
    assert "A 0.2; B 0.5" in mixed["B", "b0"][0].text


def with_classes(names, *numbers):
    """Fields table with so many classes that nobody named on each field."""
    rows = [
        table([name]).assign(carbide_class=c)
        for name, number in zip(names, numbers, strict=True)
        for c in ("all", *([f"carbide {k + 1}" for k in range(number)] if number > 1 else ["carbide"] * number))
    ]
    return pd.concat(rows, ignore_index=True)


def test_a_field_with_another_number_of_classes_is_told():
    """Fields without carbide have none and say nothing; neither do classes that the user named."""
    names = [("A", f"a{k}") for k in range(6)]
    mixed = with_classes(names, 1, 1, 2, 1, 0, 1)
    found = check_across([NOTHING], mixed, {})
    assert told(found) == {("A", "a2"): ["unreliable_levels"]}
    assert "shows 2 carbide classes, most fields of the specimen 1: name the classes" in found["A", "a2"][0].text
    named = mixed.assign(carbide_class=mixed["carbide_class"].replace({"carbide 1": "MC", "carbide 2": "M7C3"}))
    named.loc[named["carbide_class"] == "carbide", "carbide_class"] = "MC"
    assert check_across([NOTHING], named, {}) == {}
    assert check_across([NOTHING], with_classes(names[:3], 1, 1, 2), {}) == {}


def test_sound_fields_have_nothing_to_tell():
    names = [("A", f"a{k}") for k in range(5)]
    assert check_across([NOTHING], table(names), {name: str(k) for k, name in enumerate(names)}) == {}


@pytest.mark.parametrize("blur", [0.0, 0.7, 1.0, 1.5, 2.5])
def test_the_blur_comes_back_from_the_resolved_diameter(blur):
    """What fields.csv holds of the blur is enough to compare fields by it, sharp ones too."""
    assert blur_of_resolved_px(np.array([resolved_diameter_px(blur)]))[0] == pytest.approx(blur or 1.0)
