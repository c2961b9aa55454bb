"""Fields at one scale."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micro.comparison.pairs import FieldFrame, same_scale_crops, typical_field

frames = st.builds(FieldFrame, st.integers(64, 4096), st.integers(64, 4096), st.floats(0.02, 2.0))


@settings(deadline=None)
@given(frames, frames)
def test_both_crops_show_the_same_size_to_half_a_pixel_and_lie_inside(a, b):
    crops = same_scale_crops([a, b])
    for frame, crop in zip((a, b), crops, strict=True):
        assert 0 <= crop.left < crop.right <= frame.width_px
        assert 0 <= crop.top < crop.bottom <= frame.height_px
        assert crop.width_um == pytest.approx((crop.right - crop.left) * frame.um_per_px)
    # A crop may be less than one pixel of the coarser picture; it then is that pixel.
    coarser = max(a.um_per_px, b.um_per_px)
    assert abs(crops[0].width_um - crops[1].width_um) <= coarser
    assert abs(crops[0].height_um - crops[1].height_um) <= coarser


def test_the_crops_are_as_large_as_both_allow():
    small, large = same_scale_crops([FieldFrame(800, 600, 0.1), FieldFrame(2000, 2000, 0.2)])
    assert (small.left, small.top, small.right, small.bottom) == (0, 0, 800, 600)
    assert (large.left, large.top, large.right, large.bottom) == (800, 850, 1200, 1150)
    assert (large.width_um, large.height_um) == pytest.approx((80.0, 60.0))


def test_the_typical_field_is_nearest_the_median():
    rows = [("f0", "all", 0.1), ("f1", "all", 0.3), ("f2", "all", 0.21), ("f2", "MC", 0.2), ("f3", "all", np.nan)]
    fields = pd.DataFrame(rows, columns=["field", "carbide_class", "area_fraction"])
    assert typical_field(fields) == "f2"
