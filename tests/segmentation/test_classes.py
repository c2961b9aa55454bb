"""Two carbide classes whose greys overlap are not told apart, and the field says so."""

import pytest

from micro import flags
from micro.phantom import Population
from micro.segmentation import SegmentationSettings, segment

UNRELIABLE = flags.bit("unreliable_levels", flags.FIELD_FLAGS)
NAMES = ("M7C3", "MC")


def two_classes(phantom, darker, brighter):
    kinds = [Population(0.05, 12), Population(0.05, 12, carbide_class=1)]
    return phantom(kinds, class_greys=(darker, brighter), noise=9.0, shading=0.0)


@pytest.mark.parametrize("greys", [(), (170.0, 190.0)], ids=["found", "pinned"])
def test_classes_less_than_three_noises_apart_are_said_to_be_a_guess(phantom, fraction, greys):
    """Whether both levels are found or given; the sum holds within 6 %."""
    field = two_classes(phantom, 170.0, 190.0)
    found = segment(field.grey, SegmentationSettings("bright", NAMES, greys))
    assert found.field_flags & UNRELIABLE
    said = ("M7C3 and MC differ by ", "1 of 2 carbide classes found")
    assert any(m.startswith(said) for m in found.messages)
    assert fraction(found) == pytest.approx(field.area_fraction, rel=0.06)


def test_classes_further_apart_are_not(phantom, fraction):
    field = two_classes(phantom, 140.0, 190.0)
    found = segment(field.grey, SegmentationSettings("bright", NAMES))
    assert not any(m.startswith("M7C3 and MC differ by ") for m in found.messages)
    for kind in (0, 1):
        assert fraction(found, kind) == pytest.approx(field.truth.area_fraction[kind], rel=0.06)
