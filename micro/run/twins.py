"""Twins of a real field: drawn with its measured parameters, measured the same way, compared with their truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.field import FieldResult, measure
from micro.image.micrograph import Micrograph
from micro.phantom.picture import Optics, Truth, field_rows
from micro.phantom.scenes import Population, Scene, make_field
from micro.scale.scale import Scale
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.statistics.sampling import student_t

GRAIN_PX = 1.5
LIGHT_BLOCK = 64
NOT_SEEN = {"area_fraction": 0.0, "mean_ecd_um": np.nan, "number_per_mm2": 0.0}
QUANTITIES = tuple(NOT_SEEN)
SMALLEST_ASPECT_ECD_PX = 6.0
NO_PREFERENCE = 0.15


def scene_like(found: FieldResult) -> Scene:
    """Scene with the amount, sizes, shapes, directions and optics that were measured on a field.

    Places are even at random: bands and rows are not copied. Carbides too small to be measured are not in it.
    """
    micrograph, segmentation, particles = found.micrograph, found.segmentation, found.particles
    names = tuple(c.name for c in segmentation.classes)
    um_per_px = found.scale.um_per_px
    analysed = segmentation.analysed_px * um_per_px**2
    rolling = micrograph.rolling_deg or 0.0
    populations = tuple(
        _population(particles[particles["carbide_class"] == name], index, analysed, um_per_px)
        for index, name in enumerate(names)
    )
    return Scene(
        populations=tuple(p for p in populations if p.area_fraction > 0),
        class_names=names,
        rolling_deg=rolling,
        gap_px=1.0,
        optics=optics_like(micrograph.grey, segmentation, micrograph.grey_max),
    )


def _population(own: pd.DataFrame, index: int, analysed_um2: float, um_per_px: float) -> Population:
    area, weight = own["area_um2"].to_numpy(float), own["weight"].to_numpy(float)
    counted = (weight > 0) & (area > 0)
    if not counted.any():
        return Population(0.0, 1.0, carbide_class=index)
    ecd, weight = own["ecd_um"].to_numpy(float)[counted] / um_per_px, weight[counted]
    log_mean = np.average(np.log(ecd), weights=weight)
    resolved = ecd >= min(SMALLEST_ASPECT_ECD_PX, float(np.median(ecd)))
    log_aspect = np.log(np.maximum(1.0, own["aspect_ratio"].to_numpy(float)[counted][resolved]))
    turn = np.radians(own["angle_deg"].to_numpy(float)[counted][resolved])
    stretch = np.expm1(log_aspect) + 1e-9  # round carbides have no direction
    order = abs(np.average(np.exp(2j * turn), weights=stretch))
    return Population(
        area_fraction=float(area.sum() / analysed_um2),
        mean_ecd_px=float(np.average(ecd, weights=weight)),
        spread=float(np.sqrt(np.average((np.log(ecd) - log_mean) ** 2, weights=weight))),
        aspect=float(np.exp(log_aspect.mean())),
        aspect_spread=float(log_aspect.std()),
        misalignment_deg=float(np.degrees(np.sqrt(-2 * np.log(order)) / 2)) if order > NO_PREFERENCE else None,
        carbide_class=index,
    )


def optics_like(grey: NDArray[np.float32], segmentation: Segmentation, grey_max: float) -> Optics:
    """Optics with the levels, blur, shading, noise and grain of matrix that were measured on a field."""
    blur = segmentation.blur_px or 1.0
    noise_share, grain = _split_noise(segmentation.noise, segmentation.noise_area_px, blur)
    shading = _shading(grey, segmentation)
    brightest = 1 / (1 - shading / 2)  # levels are those of the mean light, the optics' those of the full light
    return Optics(
        matrix_grey=segmentation.matrix_grey * brightest,
        class_greys=tuple((segmentation.matrix_grey + c.contrast) * brightest for c in segmentation.classes),
        blur_px=blur,
        noise=noise_share,
        shading=shading,
        texture=grain,
        texture_px=GRAIN_PX,
        grey_max=grey_max,
    )


def _split_noise(noise: float, noise_area_px: float, blur_px: float) -> tuple[float, float]:
    """Sensor noise, and grain of the matrix before the blur, that together have the measured spread and correlation."""
    grain_area = 4 * np.pi * (GRAIN_PX**2 + blur_px**2)
    share = float(np.clip((noise_area_px - 1) / (grain_area - 1), 0, 1))
    before_blur = np.sqrt(1 + (blur_px / GRAIN_PX) ** 2)
    return noise * np.sqrt(1 - share), noise * np.sqrt(share) * before_blur


def _shading(grey: NDArray[np.float32], segmentation: Segmentation) -> float:
    """Loss of light from the brightest to the darkest part of the field, from the flattened picture."""
    rows, columns = (side // LIGHT_BLOCK * LIGHT_BLOCK for side in grey.shape)
    if not (rows and columns):
        return 0.0
    light = grey * segmentation.matrix_grey / np.maximum(segmentation.contrast + segmentation.matrix_grey, 1.0)
    light = light[:rows, :columns].reshape(rows // LIGHT_BLOCK, LIGHT_BLOCK, columns // LIGHT_BLOCK, LIGHT_BLOCK)
    blocks = np.median(light, axis=(1, 3))
    return float(np.clip(1 - blocks.min() / blocks.max(), 0, 0.9))


def twin_rows(
    twin: NDArray[np.float32], truth: Truth, scene: Scene, settings: SegmentationSettings, scale: Scale
) -> list[dict[str, object]]:
    """Truth and measurement of one twin: one row a class and quantity."""
    found = measure(
        Micrograph(twin, scene.optics.grey_max, scale=scale, rolling_deg=scene.rolling_deg), settings=settings
    )
    by_class = found.field.set_index("carbide_class")[list(QUANTITIES)].to_dict("index")
    rows: list[dict[str, object]] = []
    for true in field_rows(truth, scene.class_names, scale.um_per_px):
        name = str(true["carbide_class"])
        # A class that the twin's own segmentation did not tell apart was measured as nothing.
        measured = by_class.get(name, NOT_SEEN)
        rows += [
            {"carbide_class": name, "quantity": q, "true": float(true[q]), "measured": float(measured[q])}
            for q in QUANTITIES
        ]
    return rows


def measure_twins(
    scene: Scene, shape: tuple[int, int], twins: int, settings: SegmentationSettings, scale: Scale, seed: int
) -> pd.DataFrame:
    """Draw and measure twins: columns twin, carbide_class, quantity, true, measured."""
    rows = []
    for number in range(1, twins + 1):
        twin, truth = make_field(scene, shape, np.random.default_rng([seed, number]))
        rows += [{"twin": number, **row} for row in twin_rows(twin, truth, scene, settings, scale)]
    return pd.DataFrame(rows, columns=["twin", "carbide_class", "quantity", "true", "measured"])


def twin_bias(twins: pd.DataFrame) -> pd.DataFrame:
    """Bias and spread of measured against true, relative, by class and quantity.

    Returns
    -------
    DataFrame
        carbide_class, quantity, true (mean), bias, bias_low, bias_high (95 % interval by t), spread (standard deviation
        of one field's relative error), twins.
    """
    rows = []
    for (name, quantity), own in twins.groupby(["carbide_class", "quantity"], sort=False):
        error = (own["measured"] / own["true"] - 1).dropna().to_numpy()
        n = len(error)
        spread = error.std(ddof=1) if n > 1 else np.nan
        half = student_t(n - 1) * spread / np.sqrt(n) if n > 1 else np.nan
        bias = error.mean() if n else np.nan
        rows.append((name, quantity, own["true"].mean(), bias, bias - half, bias + half, spread, n))
    head = ["carbide_class", "quantity", "true", "bias", "bias_low", "bias_high", "spread", "twins"]
    return pd.DataFrame(rows, columns=head)
