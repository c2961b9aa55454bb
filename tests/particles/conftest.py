"""Segmentations with known carbides, in pixels."""

import numpy as np
import pytest

from micro.phantom import cover, place_at_random, shapes
from micro.scale import Scale
from micro.segmentation import CarbideClass, Segmentation


@pytest.fixture
def pixel():
    """One pixel is one micrometre."""
    return Scale(1.0, None, "test")


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
    """Label picture of 150 irregular carbides of many sizes and shapes, none touching another."""
    rng = np.random.default_rng(7)
    outlines = shapes(
        rng.lognormal(2.6, 0.5, 150), rng, aspect=1 + rng.exponential(0.8, 150), angle_deg=rng.uniform(0, 180, 150),
        roughness=0.15,
    )  # fmt: skip
    labels = cover(place_at_random(outlines, (640, 900), rng, gap_px=3.0), (640, 900)).labels
    kept = np.unique(labels[labels > 0])
    number = np.zeros(labels.max() + 1, np.int32)
    number[kept] = np.arange(1, len(kept) + 1)
    return number[labels]


def disc(radius, centre=(50.3, 49.8), shape=(100, 110)):
    """Label picture of one disc by pixel centres."""
    y, x = np.mgrid[: shape[0], : shape[1]] + 0.5
    return (np.hypot(x - centre[0], y - centre[1]) <= radius).astype(np.int32)


def ellipse(a, b, angle_deg, shape=(120, 150)):
    """Label picture of one ellipse with semi-axes a, b, its long axis counter-clockwise from the horizontal."""
    y, x = np.mgrid[: shape[0], : shape[1]] + 0.5
    x, y = x - shape[1] / 2 - 0.2, -(y - shape[0] / 2 + 0.3)
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return (((x * c + y * s) / a) ** 2 + ((y * c - x * s) / b) ** 2 <= 1).astype(np.int32)
