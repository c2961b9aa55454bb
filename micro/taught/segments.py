"""The carbides of a field as taught outlines draw them, in the form that the measuring rooms take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micro.issues import bit, issue
from micro.segmentation.segmentation import CarbideClass, Segmentation
from micro.taught.outlines import TaughtOutlines

# Faults of the picture hold whoever draws the outlines; those of the grey levels do not.
STILL_TRUE = ("saturated",)
# A class as grey as the matrix has no contrast to divide by: it is taken as this share of the noise (chosen).
LEAST_CONTRAST = 0.1


@dataclass(frozen=True, eq=False)
class TaughtField:
    """Taught outlines of one field and the names of their classes."""

    outlines: TaughtOutlines
    class_names: tuple[str, ...]


def with_taught_outlines(own: Segmentation, taught: TaughtField, excluded: NDArray[np.bool_]) -> Segmentation:
    """Segmentation with taught outlines in the place of the program's own.

    The light over the field stays as found; the level of the matrix is that outside of the taught outlines, and the
    contrast of a class that inside of its own.

    Parameters
    ----------
    excluded
        (rows, columns) what no outline may lie on: marks burnt into the picture.
    """
    labels, class_index = _without(taught.outlines, excluded)
    outside = (labels == 0) & ~excluded
    shift = np.float32(own.contrast[outside].mean(dtype=float)) if outside.any() else np.float32(0)
    contrast = np.where(excluded, np.float32(0), own.contrast - shift)
    noise = float(contrast[outside].std(dtype=float)) if outside.any() else own.noise
    found = Segmentation(
        labels=labels,
        basins=labels,
        contrast=contrast,
        classes=_classes(contrast, labels, class_index, taught.class_names, noise),
        class_index=class_index,
        flags=_flags(labels, len(class_index)),
        excluded=excluded,
        matrix_grey=own.matrix_grey + float(shift),
        noise=noise,
        noise_area_px=own.noise_area_px,
        matrix_uncertainty=own.matrix_uncertainty,
        blur_px=None,
        smooth_noise=own.smooth_noise,
        area_by_outlines=True,
    )
    return found.with_issues((*(one for one in own.issues if one.flag in STILL_TRUE), issue("taught_outlines")))


def _without(outlines: TaughtOutlines, excluded: NDArray[np.bool_]) -> tuple[NDArray[np.int32], NDArray[np.intp]]:
    """Labels and classes where regions lose what is left out, and vanish with their last pixel."""
    if not excluded.any():
        return outlines.labels, outlines.class_index
    labels = np.where(excluded, 0, outlines.labels)
    left = np.bincount(labels.ravel(), minlength=len(outlines.class_index) + 1) > 0
    left[0] = False
    renumbered = np.where(left, np.cumsum(left), 0).astype(np.int32)
    return renumbered[labels], outlines.class_index[left[1:]]


def _classes(
    contrast: NDArray[np.float32],
    labels: NDArray[np.int32],
    class_index: NDArray[np.intp],
    names: Sequence[str],
    noise: float,
) -> tuple[CarbideClass, ...]:
    """Contrast of each class from all pixels in its outlines."""
    kind = np.concatenate([[0], class_index + 1])[labels].ravel()
    pixels = np.bincount(kind, minlength=len(names) + 1)[1:]
    light = np.bincount(kind, contrast.ravel(), len(names) + 1)[1:]
    mean = light / np.maximum(pixels, 1)
    least = max(LEAST_CONTRAST * noise, 1e-6)
    mean = np.where(np.abs(mean) < least, np.where(mean < 0, -least, least), mean)
    return tuple(CarbideClass(name, float(m), noise) for name, m in zip(names, mean, strict=True))


def _flags(labels: NDArray[np.int32], count: int) -> NDArray[np.uint32]:
    """(carbides,) flags of those that the frame cuts."""
    word = np.zeros(count + 1, np.uint32)
    for side in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        word[np.unique(side)] |= np.uint32(bit("edge"))
    return word[1:]


def named(outlines: TaughtOutlines, names: Sequence[str]) -> TaughtField:
    """Outlines with the names of their classes; classes that lie nowhere in the field are left out."""
    held = np.unique(outlines.class_index)
    place = np.zeros(max(len(names), 1), np.intp)
    place[held] = np.arange(len(held))
    kept = tuple(names[k] for k in held.tolist())
    return TaughtField(replace(outlines, class_index=place[outlines.class_index]), kept)
