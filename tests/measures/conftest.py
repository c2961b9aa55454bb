"""Segmentations with known carbides, in pixels."""

import numpy as np
import pytest
from known_shapes import numbered

from micro.phantom.scenes import place
from micro.phantom.shapes import cover, shapes
from micro.segmentation.segmentation import CarbideClass, Segmentation


@pytest.fixture
def segmented():
    """Make a segmentation of a label picture; without a contrast the carbides are full and sharp."""

    def make(labels, contrast=None):
        labels = np.ascontiguousarray(labels, np.int32)
        count = int(labels.max(initial=0))
        if contrast is None:
            contrast = np.where(labels > 0, 100.0, 0.0).astype(np.float32)
        return Segmentation(
            labels=labels,
            basins=labels,
            contrast=contrast,
            classes=(CarbideClass("carbide", 100.0, 0.1),) if count else (),
            class_index=np.zeros(count, np.intp),
            flags=np.zeros(count, np.uint32),
            excluded=np.zeros(labels.shape, bool),
            matrix_grey=100.0,
            noise=1.0,
            noise_area_px=1.0,
            matrix_uncertainty=0.1,
            blur_px=None,
        )

    return make


@pytest.fixture(scope="session")
def irregular():
    """Label picture of irregular carbides of many sizes and shapes, none touching another."""
    rng, shape = np.random.default_rng(8), (560, 820)
    outlines = shapes(rng.lognormal(2.8, 0.4, 120), rng, aspect=1 + rng.exponential(0.7, 120), roughness=0.12)
    return numbered(cover(place(outlines, shape, None, rng, gap_px=3.0), shape).labels)
