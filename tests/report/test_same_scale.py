"""Fields at one scale."""

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from micro.report.fields import same_scale_crops, typical_field

sides, scales = st.integers(64, 4096), st.floats(0.02, 2.0)


@settings(deadline=None)
@given(sides, sides, scales, sides, sides, scales)
def test_both_crops_show_the_same_size_to_half_a_pixel(rows_a, columns_a, um_a, rows_b, columns_b, um_b):
    a, b = same_scale_crops(
        [np.broadcast_to(0, shape) for shape in ((rows_a, columns_a), (rows_b, columns_b))], [um_a, um_b]
    )
    assert a.size and b.size
    # A crop may be less than one pixel of the coarser picture; it then is that pixel.
    for across, down in zip(a.shape, b.shape, strict=True):
        assert abs(across * um_a - down * um_b) <= max(um_a, um_b)


def test_the_crops_are_as_large_as_both_allow_and_from_the_middle():
    pictures = [np.stack(np.indices(shape), axis=2) for shape in ((600, 800), (2000, 2000))]
    small, large = same_scale_crops(pictures, [0.1, 0.2])
    assert small.shape[:2] == (600, 800)
    assert (large[0, 0].tolist(), large[-1, -1].tolist()) == ([850, 800], [1149, 1199])


def test_the_typical_field_is_nearest_the_median():
    rows = [("f0", "all", 0.1), ("f1", "all", 0.3), ("f2", "all", 0.21), ("f2", "MC", 0.2), ("f3", "all", np.nan)]
    fields = pd.DataFrame(rows, columns=["field", "carbide_class", "area_fraction"])
    assert typical_field(fields) == "f2"
