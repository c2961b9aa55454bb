"""Invented fields of every kind without a fault, and the same fields with one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.issues import flag_text
from micro.measures.field_checks import check_field, directed_blur
from micro.measures.particles import measure_particles
from micro.phantom.picture import Damage, Optics, damaged, etched_surface, expose
from micro.phantom.scenes import Population, Scene, arrange
from micro.phantom.shapes import Coverage, cover
from micro.scale.scale import Scale
from micro.segmentation.stages import segment

SHAPE = (480, 640)


def any_scene(rng: np.random.Generator) -> Scene:
    """Draw a scene: 1 to 25 % carbides of 5 to 25 px, blur 0.7 to 1.5, contrast to noise 5 to 25, shading to 40 %."""
    ecd = float(np.exp(rng.uniform(np.log(5), np.log(25))))
    share = float(np.exp(rng.uniform(np.log(0.01), np.log(0.25))))
    contrast = float(rng.uniform(45, 100)) * (1 if rng.uniform() < 0.7 else -0.8)
    matrix = 80.0 if contrast > 0 else 170.0  # nothing clips
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
    return Specimen(damaged(etched_surface(coverage, scene.optics, rng), scene.damage, rng), coverage, scene, rng)


def moved(surface: NDArray[np.float32], length_px: float, direction_deg: float) -> NDArray[np.float32]:
    """Surface that moved evenly during the exposure; the direction is counter-clockwise as seen."""
    from scipy import ndimage

    turn = np.radians(direction_deg)
    steps = np.linspace(-0.5, 0.5, 21)[1::2] * length_px
    parts = [ndimage.shift(surface, (k * np.sin(turn), -k * np.cos(turn)), order=1, mode="nearest") for k in steps]
    return np.mean(parts, axis=0, dtype=np.float32)


def etched_unevenly(specimen: Specimen, share: float, direction_deg: float) -> NDArray[np.float32]:
    """Surface whose matrix comes closer to the carbides' grey by `share` of the contrast from side to side."""
    rows, columns = specimen.surface.shape
    y, x = np.mgrid[:rows, :columns]
    slope = x / columns * np.cos(np.radians(direction_deg)) - y / rows * np.sin(np.radians(direction_deg))
    slope = (slope - slope.mean()) / np.ptp(slope)
    optics = specimen.scene.optics
    bare = 1 - specimen.coverage.by_class.sum(axis=0)
    change = -share * (optics.class_greys[0] - optics.matrix_grey) * slope * bare
    return specimen.surface + change.astype(np.float32)


def jpeg(grey: NDArray[np.float32], quality: int) -> NDArray[np.float32]:
    """Picture after a JPEG round trip."""
    import cv2

    _, data = cv2.imencode(".jpg", grey.astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_GRAYSCALE).astype(np.float32)


def measured(grey: NDArray[np.float32], um_per_px: float = 0.2, stated: Scale | None = None):
    """Names of the field's flags, its messages, and its carbides."""
    scale = Scale(um_per_px, None, "given")
    segmentation = segment(grey)
    particles = measure_particles(segmentation, grey, 0.0)
    checked = check_field(segmentation, grey, particles, scale, stated, directed_blur(segmentation))
    return flag_text(checked.issues).split(), tuple(one.text for one in checked.issues), particles


def plain(seed: int = 1, share: float = 0.08, ecd_px: float = 12.0, **optics: float) -> Specimen:
    """Draw a specimen of 8 % carbides of 12 px without damage."""
    light = Optics(**({"noise": 5.0} | optics))
    return prepared(Scene((Population(share, ecd_px),), optics=light), SHAPE, seed)
