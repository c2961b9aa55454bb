"""Invented fields of every kind without a fault, and the same fields with one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from micro.phantom import Coverage, Damage, Optics, Population, Scene, cover
from micro.phantom.defects import damaged
from micro.phantom.picture import etched_surface, expose
from micro.phantom.scenes import arrange

SHAPE = (480, 640)


def any_scene(rng: np.random.Generator) -> Scene:
    """Draw a scene: 1 to 25 % carbides of 5 to 25 px, blur 0.7 to 1.5, contrast to noise 5 to 25, shading to 40 %."""
    ecd = float(np.exp(rng.uniform(np.log(5), np.log(25))))
    share = float(np.exp(rng.uniform(np.log(0.01), np.log(0.25))))
    contrast = float(rng.uniform(50, 120)) * (1 if rng.uniform() < 0.7 else -0.8)
    matrix = 90.0 if contrast > 0 else 170.0
    elongated = rng.uniform() < 0.4
    optics = Optics(
        matrix,
        (matrix + contrast,),
        blur_px=float(rng.uniform(0.7, 1.5)),
        noise=abs(contrast) / float(np.exp(rng.uniform(np.log(5), np.log(25)))),
        shading=float(rng.uniform(0, 0.4)),
        texture=float(rng.choice([0, 0, 4, 8])) * abs(contrast) / 100,
        texture_px=float(rng.uniform(1.0, 2.5)),
    )
    population = Population(
        share,
        ecd,
        spread=float(rng.uniform(0.1, 0.5)),
        aspect=float(rng.uniform(1.5, 3.5)) if elongated else float(rng.uniform(1.0, 1.5)),
        aspect_spread=float(rng.uniform(0, 0.3)),
        misalignment_deg=float(rng.uniform(3, 25)) if elongated else None,
        facets=int(rng.choice([0, 5, 7])),
        banding=float(rng.uniform(0.5, 1.5)) if rng.uniform() < 0.4 else 0.0,
        stringers=0.5 if rng.uniform() < 0.2 else 0.0,
    )
    damage = Damage(scratches=2.0, pits=2.0) if rng.uniform() < 0.3 else Damage()
    return Scene(
        (population,),
        rolling_deg=float(rng.uniform(0, 180)),
        band_spacing_px=float(rng.uniform(80, 250)),
        optics=optics,
        damage=damage,
    )


@dataclass(frozen=True, eq=False)
class Specimen:
    """A polished and etched surface that can be photographed again and again."""

    surface: NDArray[np.float32]
    coverage: Coverage
    scene: Scene
    rng: np.random.Generator

    def photographed(self, surface: NDArray[np.float32] | None = None, **optics: float) -> NDArray[np.float32]:
        """Grey picture of it, or of a changed surface."""
        changed = Optics(**{**vars(self.scene.optics), **optics})
        return expose(self.surface if surface is None else surface, changed, self.rng)


def prepared(scene: Scene, shape: tuple[int, int], seed: int) -> Specimen:
    """Draw the surface of a scene."""
    rng = np.random.default_rng(seed)
    coverage = cover(arrange(scene, shape, rng), shape, len(scene.class_names))
    return Specimen(
        damaged(etched_surface(coverage, scene.optics, rng), coverage, scene.damage, rng), coverage, scene, rng
    )


@pytest.fixture(scope="session")
def specimen():
    """Door to `prepared` with a plain structure: 8 % carbides of 12 px."""

    def make(seed=1, shape=SHAPE, share=0.08, ecd_px=12.0, damage=None, **optics):
        scene = Scene(
            (Population(share, ecd_px),), optics=Optics(**({"noise": 5.0} | optics)), damage=damage or Damage()
        )
        return prepared(scene, shape, seed)

    return make
