"""A crop may hold none of the carbides that were numbered before."""

import numpy as np

from micro.geometry.outlines import crofton_perimeter
from micro.geometry.runs import find_runs


def test_carbides_without_a_pixel_have_no_light_and_no_outline():
    """One value a number, all 0, whether other numbers have pixels or not."""
    labels = np.zeros((20, 30), np.int32)
    light = np.ones(labels.shape, np.float32)
    for filled, area in ((False, 0), (True, 12)):
        labels[4:7, 5:9] = 2 * filled
        runs = find_runs(labels, 3)
        assert runs.integrate(light).tolist() == [0, area, 0]
        assert (crofton_perimeter(runs) > 0).tolist() == [False, filled, False]
