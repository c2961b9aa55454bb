"""From a map of probabilities to outlines, regions that are more likely carbide than not, and to a segmented field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.issues import bit, issue
from micro.segmentation.segmentation import CarbideClass, Segmentation

Float32Array = NDArray[np.float32]


SMOOTHING_PX = 1.0
"""σ under which the map is smoothed: a pixel alone decides nothing (chosen)."""
LEAST_PX = 12
"""Smallest region, and smallest hole, in px; smaller ones are joined to what surrounds them. A disc of 4 px across: the
finest scale of the features sees nothing smaller (derived)."""


@dataclass(frozen=True, eq=False)
class TaughtOutlines:
    """Outlined regions of one field.

    Parameters
    ----------
    labels
        (rows, columns) int32, 0 matrix, regions from 1 along the rows.
    class_index
        (regions,) carbide class of each region, from 0.
    class_names
        Of each carbide class; empty until `named` gives them.
    """

    labels: NDArray[np.int32]
    class_index: NDArray[np.intp]
    class_names: tuple[str, ...] = ()


def draw_outlines(
    probability: Float32Array, smoothing_px: float = SMOOTHING_PX, least_px: int = LEAST_PX
) -> TaughtOutlines:
    """Regions where carbide of any class is more likely than matrix; each of the class that is likeliest in it.

    Carbides that touch stay one region, except where the map tells them to be of different classes.

    Parameters
    ----------
    probability
        (classes, rows, columns) probability of each carbide class.
    smoothing_px, least_px
        0 and more; 1 and more.

    Examples
    --------
    >>> import numpy as np
    >>> probability = np.zeros((1, 40, 60), np.float32)
    >>> probability[0, 5:15, 5:15] = probability[0, 20:30, 30:50] = 1
    >>> draw_outlines(probability).class_index.tolist()
    [0, 0]

    """
    smooth = np.asarray(probability, np.float32)
    if smoothing_px:
        smooth = np.stack([cv2.GaussianBlur(plane, (0, 0), smoothing_px) for plane in smooth])
    carbide = _without_specks(smooth.sum(axis=0) > 0.5, least_px)
    kind = np.where(carbide, smooth.argmax(axis=0) + 1, 0).astype(np.uint8)
    return _labelled(kind, least_px if len(smooth) > 1 else 1)


def _without_specks(carbide: NDArray[np.bool_], least_px: int) -> NDArray[np.bool_]:
    """Holes too small to be seen are filled; then regions too small are dropped."""
    size, region = _regions(~carbide, 4)
    rim = np.zeros(len(size), bool)
    for edge in (region[0], region[-1], region[:, 0], region[:, -1]):
        rim[edge] = True
    fill = ~rim & (size < least_px)
    fill[0] = False
    carbide = carbide | fill[region]
    size, region = _regions(carbide, 8)
    keep = size >= least_px
    keep[0] = False
    return np.asarray(keep[region])


def _labelled(kind: NDArray[np.uint8], least_px: int) -> TaughtOutlines:
    """Label connected pixels of one class; a part of a class below the least size takes its neighbour's number."""
    labels = np.zeros(kind.shape, np.int32)
    number = 0
    for k in range(1, int(kind.max(initial=0)) + 1):
        size, region = _regions(kind == k, 8)
        keep = size >= least_px
        keep[0] = False
        renumbered = np.where(keep, number + np.cumsum(keep), 0).astype(np.int32)
        labels += renumbered[region]
        number += int(keep.sum())
    if least_px > 1 and number:
        labels = _nearest_filled(labels, kind > 0)
    return _in_reading_order(labels, kind)


def _nearest_filled(labels: NDArray[np.int32], carbide: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Carbide pixels without a number take that of the nearest pixel that has one."""
    from scipy import ndimage

    bare = carbide & (labels == 0)
    if not bare.any():
        return labels
    place = ndimage.distance_transform_edt(labels == 0, return_distances=False, return_indices=True)
    return np.where(bare, labels[tuple(place)], labels).astype(np.int32)


def _in_reading_order(labels: NDArray[np.int32], kind: NDArray[np.uint8]) -> TaughtOutlines:
    number, first = np.unique(labels, return_index=True)
    order = number[number > 0][np.argsort(first[number > 0])]
    new = np.zeros(int(labels.max(initial=0)) + 1, np.int32)
    new[order] = np.arange(1, len(order) + 1)
    labels = new[labels]
    kinds = int(kind.max(initial=0)) + 1
    table = np.bincount(labels.ravel().astype(np.intp) * kinds + kind.ravel(), minlength=(len(order) + 1) * kinds)
    by_class = table.reshape(-1, kinds)[1:, 1:]
    class_index = by_class.argmax(axis=1) if by_class.size else np.zeros(0, np.intp)
    return TaughtOutlines(labels, class_index.astype(np.intp))


def _regions(mask: NDArray[np.bool_], connectivity: int) -> tuple[NDArray[np.intp], NDArray[np.int32]]:
    """Pixels of each connected region, and the numbered regions; 0 is what is not in the mask."""
    number, region = cv2.connectedComponents(mask.astype(np.uint8), connectivity=connectivity, ltype=cv2.CV_32S)
    return np.bincount(region.ravel(), minlength=number), region


# Faults of the picture hold whoever draws the outlines; those of the grey levels do not.
STILL_TRUE = ("saturated",)
# A class as grey as the matrix has no contrast to divide by: it is taken as this share of the noise (chosen).
LEAST_CONTRAST = 0.1


def with_taught_outlines(own: Segmentation, taught: TaughtOutlines, excluded: NDArray[np.bool_]) -> Segmentation:
    """Segmentation with taught outlines in the place of the program's own.

    The light over the field stays as found; the level of the matrix is that outside of the taught outlines, and the
    contrast of a class that inside of its own.

    Parameters
    ----------
    excluded
        (rows, columns) what no outline may lie on: marks burnt into the picture.
    """
    labels, class_index = _without(taught, excluded)
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
        blur_px=own.blur_px,
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


def named(outlines: TaughtOutlines, names: Sequence[str]) -> TaughtOutlines:
    """Outlines with the names of their classes; classes that lie nowhere in the field are left out."""
    held = np.unique(outlines.class_index)
    place = np.zeros(max(len(names), 1), np.intp)
    place[held] = np.arange(len(held))
    kept = tuple(names[k] for k in held.tolist())
    return replace(outlines, class_index=place[outlines.class_index], class_names=kept)
