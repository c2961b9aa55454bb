"""What the edges say of the area by light: a factor, how far it may be off, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micro.segmentation.edge_models import RimLight, rim_light
from micro.segmentation.edge_profile import EdgeShape, carbide_levels, edge_shape, middle
from micro.segmentation.segmentation import Segmentation
from micro.segmentation.texture import Texture
from micro.segmentation.tone import tone_shift_px
from micro.segmentation.uncertainty import clipped_share
from micro.statistics.sampling import NORMAL_95

FEW = 5
UNEVEN = 2.0
CLIPPED = 0.02  # share of the area in carbides that hold clipped pixels: the tops of their edges are made up
# Of white noise the share that differs from pixel to pixel is 1; a median filter or JPEG leaves half (simulated).
WHITE = 0.9
# A deep etch leaves rims too thin to be told from blur: chosen, from 10 % rims 1 px wide.
ETCHED_EDGE_PX = 0.1
# Of the carbides' contrast, what the matrix hides: 0.04 to 0.09 where filtered, 0.25 in mild texture, 0.38 at lath 10 %
# (simulated).
PROCESSED, MILD, STRONG = 0.15, 0.27, 0.37
PROCESSED_PX = 0.25  # a median filter of 5 × 5 takes as much from carbides of 10 px (simulated)
# Fields of two generators (tests/accuracy/etched_fields.py): sharpened edges have a kurtosis below -1 and a skew above
# 0; dark rims and domes of 3 px one below -0.7 and a skew below -0.05; holes a skew below -0.2, a kurtosis above 0.
SHARPENED, SHARPENED_ERROR = -1.0, 0.15
DARK, DARK_SKEW, DARK_PX = -0.7, -0.05, 0.5
HOLES_SKEW, HOLES_ERROR = -0.2, 0.02
STRANGE = 9.0  # least misfit of all models, 3 standard deviations
STRANGE_ERROR = 0.1
MODEL_ERROR, MODEL_LENGTH = 0.7, 0.36
"""Of what rims and domes change: how far the models may be off (the fields of two generators lie within it); more by
the fourth power where carbides have more than MODEL_LENGTH px of outline a px² of area: rims fill what lies between."""
GREY_SPREAD, LEVEL_ERROR, EDGE_ERROR = 0.08, 0.05, 0.02
PITTED, BESIDE_ERROR = 0.01, 0.03
TOLD = 0.01  # of the area: what moves it less is not said


@dataclass(frozen=True)
class EdgeWords:
    """Factor on the area, half width of its 95 % interval as a share, why; `known`: whether the edges were measured."""

    factor: float = 1.0
    half: float = 0.0
    words: tuple[str, ...] = ()
    known: bool = False


def by_edges(s: Segmentation, texture: Texture, disturbed: bool) -> EdgeWords:
    """Ask the edges of a field.

    Parameters
    ----------
    disturbed
        Whether pits or boundaries touch the carbides and take of their light.
    """
    shape = edge_shape(s) if s.count and clipped_share(s) < CLIPPED else None
    if shape is None:
        return EdgeWords()
    per_area = shape.outline_px / shape.area_px
    told = rim_light(shape)
    if texture.uneven > UNEVEN or texture.white < WHITE:
        contrast = float(np.mean(np.abs([c.contrast for c in s.classes])[s.class_index]))
        return _uneven(per_area, told, texture.hides / contrast)
    strange = _strange(shape, told, per_area)
    if strange is not None:
        return strange
    found = _levels(s, shape, told, disturbed)
    return found if found.words else _tone(s, found, per_area)


def _crowded(shape: EdgeShape) -> float:
    return max(1.0, shape.outline_px / shape.area_px / MODEL_LENGTH) ** 4


def _strange(shape: EdgeShape, told: RimLight, per_area: float) -> EdgeWords | None:
    """Edges that are like none of the models; None where one fits."""
    if shape.kurtosis < SHARPENED and told.skew > DARK_SKEW:
        words = "the edges are like those of no lens (sharpened by camera or software?)"
        return EdgeWords(1.0, SHARPENED_ERROR, (_sized(words, SHARPENED_ERROR),), True)
    if shape.kurtosis < DARK and told.skew < DARK_SKEW and told.misfit > STRANGE / 2:
        half = DARK_PX * per_area
        hidden = f"{100 * half:.0f} % (0 to {200 * half:.0f} %)"
        words = f"dark rims or domed carbides hide {hidden} of the integrated grey level"
        return EdgeWords(1 + half, half, (words,), True)
    if told.skew < HOLES_SKEW and shape.kurtosis > 0:
        half = abs(told.factor - 1) / 2 + HOLES_ERROR
        return EdgeWords(1.0, half, (_sized("holes or cracks within the carbides", half),), True)
    if told.misfit > STRANGE:
        half = 2 * _crowded(shape) * abs(told.factor - 1) + STRANGE_ERROR
        words = "the edges are like those of no lens and no rim (relief lit from one side?)"
        return EdgeWords(told.factor, half, (_sized(words, half),), True)
    return None


def _sized(words: str, half: float) -> str:
    return f"{words}: the area may be off by {100 * half:.2g} % of its value"


def _uneven(per_area: float, told: RimLight, hides: float) -> EdgeWords:
    """Keep both readings open: an uneven matrix looks like rims where it meets carbides.

    `hides`: contrast below which nothing is found, over that of the carbides.
    """
    processed = hides < PROCESSED
    open_px = PROCESSED_PX if processed else ETCHED_EDGE_PX
    half = float(np.hypot(open_px * per_area, (told.factor - 1) / 4))
    if not processed:
        half *= float(np.clip((hides - MILD) / (STRONG - MILD), 0, 1))
    words = "the matrix is etched unevenly, so that rims cannot be told from it"
    if processed:
        words = "noise is alike in neighbouring pixels (filtered or compressed picture)"
    return EdgeWords(1.0, half, (_sized(words, half),) if half > TOLD else ())


def _levels(s: Segmentation, shape: EdgeShape, told: RimLight, disturbed: bool) -> EdgeWords:
    """Rims and domes; then grey that differs from carbide to carbide, and what takes light at the outlines."""
    half = max(told.high - told.factor, told.factor - told.low)
    factor = told.factor
    words: tuple[str, ...] = ()
    if told.sound < 0.5:
        half = float(
            np.hypot(half, MODEL_ERROR * max(1.0, shape.outline_px / shape.area_px / MODEL_LENGTH) ** 2 * (factor - 1))
        )
        kind = "bright rims" if factor < 1 else "domed carbides or dark rims"
        low, high = (100 * (factor - 1 + side * half) for side in (-1, 1))
        words = (
            f"{kind} change the integrated grey level of the carbides by {100 * (factor - 1):+.1f} % ({low:+.1f} to "
            f"{high:+.1f} %), by the edges",
        )
    part = middle(s)
    light = float((part.basin_sums[1] / np.array([c.contrast for c in s.classes])[s.class_index]).sum())
    edge = (shape.area_px - told.edge_px * shape.outline_px) / max(light, 1e-9)
    own = level_factor(s)
    if own != 1:
        weight = 1 / np.square([LEVEL_ERROR, EDGE_ERROR])
        factor = float(weight @ [own, edge] / weight.sum())
        half = float(np.hypot(half, np.hypot(abs(own - edge) / 2, NORMAL_95 / np.sqrt(weight.sum()))))
        words = (f"carbides differ in grey: their own levels and edges change the area by {100 * (factor - 1):+.1f} %",)
    elif disturbed:
        half = float(np.hypot(half, BESIDE_ERROR + abs(edge - 1) / 2))
        factor = edge
        words = (
            f"pits or boundaries take integrated grey level from carbides: {100 * (factor - 1):+.1f} % by the edges",
        )
    return EdgeWords(factor, half, words, True)


def _tone(s: Segmentation, found: EdgeWords, per_area: float) -> EdgeWords:
    """Noise that differs between carbide and matrix tells of a tone curve, or of noise that grows with the light."""
    shift = tone_shift_px(s) * per_area
    if not shift:
        return found
    words = () if abs(shift) < TOLD else (
        f"noise differs between carbide and matrix: a tone curve may change the area by {-100 * shift:+.1f} %",
    )  # fmt: skip
    return EdgeWords(found.factor - shift / 2, float(np.hypot(found.half, abs(shift))), words, True)


def level_factor(s: Segmentation) -> float:
    """Factor on the area where resolved carbides differ in grey; 1 where they do not.

    Light over the class level is the area only where that level is the mean over the area; Σ area·level over Σ area of
    the resolved ones is.
    """
    level = carbide_levels(s)[1:]
    of_class = np.array([c.contrast for c in s.classes])[s.class_index]
    resolved = level != of_class
    if resolved.sum() < FEW:
        return 1.0
    ratio, weight = (level / of_class)[resolved], s.outline_px[resolved]
    low, high = np.quantile(ratio, [0.16, 0.84])
    return float(weight.sum() / (weight @ ratio)) if (high - low) / 2 >= GREY_SPREAD else 1.0
