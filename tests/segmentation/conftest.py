"""Invented fields with a known answer, and what the segmentation makes of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from micro.phantom.picture import Optics, Truth
from micro.phantom.scenes import Population, Scene, make_field
from micro.segmentation.segmentation import Segmentation
from micro.segmentation.stages import segment

SHAPE = (384, 512)


@dataclass(frozen=True, eq=False)
class Phantom:
    grey: NDArray[np.float32]
    truth: Truth
    optics: Optics

    @property
    def area_fraction(self) -> float:
        return float(self.truth.area_fraction.sum())


def draw(populations, *, seed=1, shape=SHAPE, gap_px=2.0, **optics) -> Phantom:
    optics = Optics(**({"noise": 6.0, "shading": 0.2} | optics))
    names = tuple(f"class {i}" for i in range(len(optics.class_greys)))
    scene = Scene(populations=tuple(populations), class_names=names, gap_px=gap_px, optics=optics)
    grey, truth = make_field(scene, shape, np.random.default_rng(seed))
    return Phantom(grey, truth, optics)


def areas(segmentation: Segmentation) -> NDArray[np.float64]:
    """Area of each carbide, Σ contrast over its basin by the contrast of its class, px²."""
    light = np.bincount(segmentation.basins.ravel(), segmentation.contrast.ravel(), segmentation.count + 1)[1:]
    return light / np.array([c.contrast for c in segmentation.classes])[segmentation.class_index]


def area_fraction(segmentation: Segmentation, kind: int | None = None) -> float:
    """Area fraction of all carbides, or of one class."""
    own = slice(None) if kind is None else segmentation.class_index == kind
    analysed = np.count_nonzero(~segmentation.excluded)
    return float(areas(segmentation)[own].sum() / analysed) if segmentation.count else 0.0


@pytest.fixture(scope="session")
def fraction() -> Callable[..., float]:
    return area_fraction


@pytest.fixture(scope="session")
def phantom() -> Callable[..., Phantom]:
    return draw


@pytest.fixture(scope="session")
def field() -> Phantom:
    """5 % of carbides of 9 px under uneven light."""
    return draw([Population(0.05, 9.0)])


@pytest.fixture(scope="session")
def plain(field) -> Segmentation:
    """Carbides of that field as found without settings; only to be read."""
    return segment(field.grey)
