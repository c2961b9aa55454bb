"""Scale bars, pits, dust and scratches are left out and shown; halos are not taken for them."""

import numpy as np
import pytest

from micro import flags
from micro.phantom.defects import halo, pits, with_scale_bar
from micro.segmentation import segment

EXCLUDED = flags.bit("excluded", flags.FIELD_FLAGS)


@pytest.mark.parametrize("level", [255.0, 0.0], ids=["white", "black"])
def test_drawn_scale_bar_and_its_caption_are_left_out(field, fraction, level):
    plain = segment(field.grey)
    found = segment(with_scale_bar(field.grey, 0.2, 20.0, level))
    drawn = with_scale_bar(np.full(field.grey.shape, 128, np.float32), 0.2, 20.0, level) == level
    assert found.excluded[drawn].all()
    assert found.field_flags & EXCLUDED
    assert flags.text("excluded", flags.FIELD_FLAGS) in found.messages
    assert fraction(found) == pytest.approx(fraction(plain), rel=0.02)
    assert not found.labels[found.excluded].any()


def test_less_than_half_a_percent_left_out_is_not_said(field):
    one_pit = pits(field.grey, 1, np.random.default_rng(3), diameter_px=7)
    found = segment(one_pit)
    assert 0 < found.excluded.mean() < 0.005
    assert not found.field_flags & EXCLUDED
    assert not any("left out" in m for m in found.messages)


def test_clean_field_is_analysed_whole(field):
    assert not segment(field.grey).excluded.any()


def test_pits_in_a_field_of_bright_carbides_are_left_out(field, fraction):
    rng = np.random.default_rng(11)
    pitted = pits(field.grey, 12, rng, diameter_px=7)
    dark = (pitted < 40) & (field.grey > 60)
    found = segment(pitted)
    assert found.excluded[dark].mean() > 0.8
    assert fraction(found) == pytest.approx(fraction(segment(field.grey)), rel=0.03)


def test_rim_around_carbides_is_no_mark(field):
    ringed = halo(field.grey, field.truth.coverage, -20.0, width_px=2.0)
    assert segment(ringed).excluded.mean() < 0.002
