"""What the segmentation of one field hands to the measuring rooms."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from micro.geometry.runs import Moments, Runs, find_runs, moments, sums

POLARITIES = ("auto", "bright", "dark")
UNNAMED = "carbide"
"""A carbide class that nobody named; several are numbered."""


@dataclass(frozen=True)
class SegmentationSettings:
    """How a field is segmented; what is None is found from the picture.

    Parameters
    ----------
    carbides
        "bright", "dark" (against the matrix) or "auto".
    class_names
        Names of the carbide classes from the darkest grey level to the brightest; empty: one class,
        "carbide", or as many as the picture shows.
    class_greys
        Pinned grey level of each class, as in the file, in the order of `class_names`.
    matrix_grey
        Pinned grey level of the matrix, as in the file.
    threshold_grey
        Pinned grey level of the outline, as in the file; None: half height between matrix and class. Area is
        integrated contrast all the same.
    blur_px
        Pinned standard deviation of the edge spread.
    min_area_px
        Carbides with a smaller outline are not counted.

    Raises
    ------
    ValueError
        If one of them makes no sense, with its name and value.
    """

    carbides: str = "auto"
    class_names: tuple[str, ...] = ()
    class_greys: tuple[float, ...] = ()
    matrix_grey: float | None = None
    threshold_grey: float | None = None
    blur_px: float | None = None
    min_area_px: float = 6.0

    def __post_init__(self) -> None:
        if self.carbides not in POLARITIES:
            raise ValueError(f"carbides must be one of {', '.join(POLARITIES)}, got {self.carbides!r}")
        if len(set(self.class_names)) < len(self.class_names) or "all" in self.class_names:
            raise ValueError("class names must differ and not be 'all'")
        if self.class_greys and self.class_names and len(self.class_greys) != len(self.class_names):
            raise ValueError("some classes give a grey and some do not")
        greys = {"matrix_grey": self.matrix_grey, "threshold_grey": self.threshold_grey}
        greys |= dict(zip(self.class_names, self.class_greys, strict=False))
        lengths = {"blur_px": self.blur_px, "min_area_px": self.min_area_px}
        for name, value in (greys | lengths).items():
            if value is not None and not (math.isfinite(value) and (name in greys or value >= 0)):
                raise ValueError(
                    f"{name} must be a finite number{'' if name in greys else ', 0 or more'}, got {value!r}"
                )


@dataclass(frozen=True)
class CarbideClass:
    """One grey level of carbide.

    `contrast` is its grey level less the matrix level on the flattened picture, signed (negative: darker
    than the matrix), with the standard uncertainty of that difference.
    """

    name: str
    contrast: float
    contrast_uncertainty: float


@dataclass(frozen=True, eq=False)
class Segmentation:
    """Carbides of one field, in pixels.

    Parameters
    ----------
    labels
        (rows, columns) int32, number of the carbide inside its half-height outline, 0 elsewhere. Numbers run
        from 1 to n without gaps.
    basins
        (rows, columns) int32, the region whose light belongs to each carbide: its outline grown by the blur,
        never into another's; 0 elsewhere.
    contrast
        (rows, columns) float32, flattened grey level less the local matrix level; 0 where excluded.
    classes
        Carbide classes, darkest first; empty where no second phase was found.
    class_index
        (n,) intp, the class of carbide i + 1.
    flags
        (n,) uint32, bits of `micro.issues` for carbide i + 1.
    excluded
        (rows, columns) bool, not analysed: scratches, pits, stains, burnt-in marks.
    matrix_grey
        Mean level of the matrix, as in the file.
    noise
        Standard deviation of the matrix grey about its local level, of single pixels.
    noise_area_px
        Correlation area of that noise: the variance of a sum over m pixels is noise²·m·noise_area_px.
    matrix_uncertainty
        Standard uncertainty of the local matrix level, grey levels.
    blur_px
        Standard deviation of the edge spread; None where no edge could be measured.
    field_flags
        Bits of `micro.issues` that hold for the whole field.
    messages
        What a reader must know before trusting the field, in words.
    smooth_noise
        Standard deviation of the matrix after the smoothing that carbides are looked for in.
    area_by_outlines
        The area of a carbide is that inside its outline, not its integrated contrast.
    """

    labels: NDArray[np.int32]
    basins: NDArray[np.int32]
    contrast: NDArray[np.float32]
    classes: tuple[CarbideClass, ...]
    class_index: NDArray[np.intp]
    flags: NDArray[np.uint32]
    excluded: NDArray[np.bool_]
    matrix_grey: float
    noise: float
    noise_area_px: float
    matrix_uncertainty: float
    blur_px: float | None
    field_flags: int = 0
    messages: tuple[str, ...] = ()
    smooth_noise: float = 0.0
    area_by_outlines: bool = False

    @property
    def count(self) -> int:
        """Number of carbides."""
        return len(self.class_index)

    @cached_property
    def analysed_px(self) -> int:
        """Pixels of the frame less what was left out."""
        return self.excluded.size - int(np.count_nonzero(self.excluded))

    @cached_property
    def runs(self) -> Runs:
        """Runs of the labels."""
        return find_runs(self.labels, self.count)

    @cached_property
    def outline_moments(self) -> Moments:
        """Moments of the outlines."""
        return moments(self.runs)

    @property
    def outline_px(self) -> NDArray[np.float64]:
        """(n,) pixels inside each outline."""
        return self.outline_moments.area

    @cached_property
    def basin_sums(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """(n,) pixels of each basin, and contrast summed over it."""
        basins = find_runs(self.basins, self.count)
        return sums(basins.length, basins), basins.integrate(self.contrast)

    @cached_property
    def light_outside(self) -> float:
        """Contrast summed over all that lies outside the basins."""
        import cv2

        return cv2.sumElems(self.contrast)[0] - float(self.basin_sums[1].sum())

    @cached_property
    def contrast_around(self) -> tuple[float, float]:
        """Mean contrast just outside the basins, and its standard uncertainty.

        It is about 0 unless the matrix is brighter or darker near carbides.
        """
        import cv2

        owned = self.basins != 0
        around = cv2.dilate(owned.view(np.uint8), np.ones((7, 7), np.uint8)) & ~(owned | self.excluded)
        pixels = max(1, cv2.countNonZero(around))
        return cv2.mean(self.contrast, around)[0], self.noise * float(np.sqrt(self.noise_area_px / pixels))

    def told(self, field_flags: int, messages: tuple[str, ...]) -> Segmentation:
        """Return it with these flags and messages; what was computed from the pictures is kept."""
        new = replace(self, field_flags=field_flags, messages=messages)
        vars(new).update({name: value for name, value in vars(self).items() if name not in vars(new)})
        return new

    def cropped(self, part: tuple[slice, slice]) -> Segmentation:
        """Return rows and columns of it; numbers of carbides stay as they are, so that some may have no pixel."""
        pictures = {name: getattr(self, name)[part] for name in ("labels", "basins", "contrast", "excluded")}
        return replace(self, **pictures)
