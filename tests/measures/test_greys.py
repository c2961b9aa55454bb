"""The table of fields says by which greys a field was measured: those that were drawn."""

import numpy as np
import pytest

from micro.field import measure
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.segmentation.segmentation import SegmentationSettings


def test_greys_edge_spread_and_noise_are_those_that_were_drawn():
    """Matrix 100, carbide 200, outline half way, blur 1.2 px, noise 4: in the row of all and in that of the class."""
    optics = Optics(100, (200,), blur_px=1.2, noise=4.0, shading=0.0)
    grey, _ = make_field(Scene((Population(0.1, 14.0),), optics=optics), (300, 400), np.random.default_rng(5))
    for _, row in measure(grey, um_per_px=0.2).field.iterrows():
        assert row["matrix_grey"] == pytest.approx(100, abs=1)
        assert row["class_grey"] == pytest.approx(200, abs=2)
        assert row["threshold_grey"] == pytest.approx(150, abs=2)
        assert row["noise_grey"] == pytest.approx(4.0, rel=0.2)
        assert row["blur_px"] == pytest.approx(1.2, abs=0.3)
    pinned = measure(grey, um_per_px=0.2, settings=SegmentationSettings("bright", threshold_grey=140.0)).field
    assert (pinned["threshold_grey"] == 140.0).all()


def test_without_carbides_no_class_grey_is_made_up():
    """A bare matrix has its own level and noise, nothing else."""
    grey = np.random.default_rng(1).normal(100, 4, (120, 160)).round()
    row = measure(grey, um_per_px=0.2).field.iloc[0]
    assert row["matrix_grey"] == pytest.approx(100, abs=1)
    assert np.isnan(row["class_grey"]) and np.isnan(row["threshold_grey"]) and np.isnan(row["blur_px"])
