"""What the segmentation of one field hands to the measuring rooms."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from micro.geometry.outlines import crofton_perimeter, crofton_perimeters
from micro.geometry.runs import PIXEL_VARIANCE, Moments, Runs, find_runs, moments, sums, touches_edge
from micro.issues import Issue, bit
from micro.segmentation.blurred_shapes import resolved_diameter_px
from micro.segmentation.directed_edges import NONE, DirectedEdges, find_directed_edges, middle
from micro.segmentation.matrix import covariance_at_lags, smoothed

POLARITIES = ("auto", "bright", "dark")
JUDGED = ("contrast_area_px", "small", "flag_words")
"""What is computed with the verdict's factor."""
# Area of the ellipse of the same second moments over an outline's own, less 1, and axis ratio. Pairs that blur hides,
# of discs and of rough carbides, have 0.03 to 0.12 and 1.6 to 2.3, single carbides less but for one in seven with waves
# of 20 % (simulated: tests/segmentation/test_split.py).
WAISTED, PAIR_ASPECT = 0.045, 1.5
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
    films
        Whether thin lines are films of carbide: they are measured apart from the carbides.

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
    films: bool = False

    def __post_init__(self) -> None:
        if self.carbides not in POLARITIES:
            raise ValueError(f"carbides must be one of {', '.join(POLARITIES)}, got {self.carbides!r}")
        if len(set(self.class_names)) < len(self.class_names) or "all" in self.class_names:
            raise ValueError("class names must differ and not be 'all'")
        if len(self.class_greys) > len(self.class_names):
            raise ValueError("class_greys need class_names, one each")
        if self.class_greys and len(self.class_greys) < len(self.class_names):
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
class EdgeProfile:
    """The mean edge of all carbides.

    Parameters
    ----------
    height
        (k,) heights over the matrix, in shares of the carbides' contrast.
    distance_px
        (k,) distance of the outline at that height from the one at half height, positive outwards.
    lens_px
        (k,) the same of an edge that a lens alone blurs, as wide as this one.
    """

    height: NDArray[np.float64]
    distance_px: NDArray[np.float64]
    lens_px: NDArray[np.float64]


@dataclass(frozen=True)
class Verdict:
    """What the grey levels of a field leave open about the area of its carbides.

    Parameters
    ----------
    factor
        On the area of each carbide by integrated contrast.
    doubt
        Half width of the 95 % interval, as a share of the area, beyond what noise and levels explain.
    more
        Area fraction that may come on top of it: what was taken for pits or boundaries.
    instead
        Value, low and high of the area fraction where carbides cannot be outlined; the value is NaN where it is
        unknown. None: the sum over the carbides holds.
    edges
        Whether the edges were measured: then what outline and contrast disagree about lies in `doubt`.
    said
        What widened, moved or emptied the value, each an issue of its own kind.
    profile
        What the edges look like; None where too few were measured.
    less
        Area fraction that may come off it: what was counted and may be no carbide.
    lens
        Whether light just outside the carbides is theirs, spread by a lens with tails, and so no halo.
    """

    factor: float = 1.0
    doubt: float = 0.0
    more: float = 0.0
    instead: tuple[float, float, float] | None = None
    edges: bool = False
    said: tuple[Issue, ...] = ()
    profile: EdgeProfile | None = field(default=None, compare=False)
    less: float = 0.0
    lens: bool = False

    @property
    def unknown(self) -> bool:
        """Whether the area fraction is unknown; its bounds are then those of `instead`."""
        return self.instead is not None and math.isnan(self.instead[0])

    def raised(self, more: float) -> Verdict:
        """Return it with that area fraction on top of the bounds of a field that cannot be outlined."""
        value, low, high = self.instead or (math.nan, 0.0, 1.0)
        return replace(self, instead=(value, low, min(1.0, high + more)), said=raised(self.said, more))


def raised(told: tuple[Issue, ...], more: float) -> tuple[Issue, ...]:
    """Issues of which those that name an upper bound name one that is higher by that area fraction."""
    return tuple(
        replace(one, values={**one.values, "most": min(1.0, one.values["most"] + more)})
        if "most" in one.values
        else one
        for one in told
    )


@dataclass(frozen=True, eq=False)
class Films:
    """Films of carbide of one field, apart from its carbides.

    Parameters
    ----------
    where
        (rows, columns) True inside their outlines.
    share
        (rows, columns) float32 contrast over the level of their class, on all pixels that their light reaches; else 0.
    doubt
        Half width of the 95 % interval of their area, as a share of it.
    more_px
        Area of carbides no wider than films, which may be parts of such.
    """

    where: NDArray[np.bool_]
    share: NDArray[np.float32]
    doubt: float = 0.0
    more_px: float = 0.0

    @property
    def doubt_px(self) -> float:
        """Half width of the 95 % interval of their area."""
        return self.doubt * abs(self.area_px)

    @cached_property
    def area_px(self) -> float:
        """Area by integrated contrast."""
        return float(self.share.sum(dtype=float))

    @cached_property
    def length_px(self) -> float:
        """Length: a film has two sides, so half of the outline in the frame (tends to it as the width goes to 0)."""
        return float(crofton_perimeter(find_runs(self.where.astype(np.int32), 1), without_frame=True).sum()) / 2

    def cropped(self, part: tuple[slice, slice]) -> Films:
        """Return rows and columns of them."""
        return replace(self, where=self.where[part], share=self.share[part])


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
        (n,) uint32, bits of `micro.issues` for carbide i + 1 that its outlining found: split and saturated. `flags`
        and what its outline and size tell are together in `flag_words`.
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
    issues
        What a reader must know before trusting the field.
    smooth_noise
        Standard deviation of the matrix after the smoothing that carbides are looked for in.
    verdict
        What the grey levels leave open about the area. Where they show no carbides one by one, there are no labels.
    area_by_outlines
        The area of a carbide is that inside its outline, not its integrated contrast.
    area_by_hand
        (n,) areas, px², where a person changed outlines; None: as found.
    hand_uncertainty_px
        Standard uncertainty of the area that a person drew, px².
    films
        Films of carbide, which are not among the carbides; None where nobody says that thin lines are such.
    clipped_share, matrix_in_outlines
        Share of the pixels inside the outlines that are at the end of the scale on the carbides' side, and on that of
        the matrix, where none belongs.
    matrix_clipped_share
        Share of the pixels of the bare matrix at an end of the scale.
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
    issues: tuple[Issue, ...] = ()
    smooth_noise: float = 0.0
    verdict: Verdict = Verdict()
    area_by_outlines: bool = False
    area_by_hand: NDArray[np.float64] | None = None
    hand_uncertainty_px: float = 0.0
    films: Films | None = None
    clipped_share: float = 0.0
    matrix_in_outlines: float = 0.0
    matrix_clipped_share: float = 0.0

    @property
    def count(self) -> int:
        """Number of carbides."""
        return len(self.class_index)

    @property
    def outline_blur_px(self) -> float | None:
        """Blur that is taken off the shapes of outlines; None for those that a taught map drew, by no level of grey."""
        return None if self.area_by_outlines else self.blur_px

    @cached_property
    def directed_edges(self) -> DirectedEdges:
        """By how much edges are others in one direction; none where no edge could be measured."""
        blur = self.outline_blur_px
        if blur is None or not self.count:
            return NONE
        part = middle(self.labels.shape)
        level = np.append(0.0, self.class_contrast).astype(np.float32)[self.basins[part]]
        contrast = np.ascontiguousarray(self.contrast[part])
        inside = self.labels[part] > 0
        return find_directed_edges(inside, level, contrast, self.excluded[part], blur, self._shared_elongation())

    def _shared_elongation(self) -> NDArray[np.float64]:
        """(2,) elongation that the outlines share, along x less along y, and its skew, y up; 1 for parallel lines."""
        m, known = self.outline_moments, self.outline_px > 0
        weight = 1 / np.sqrt(m.area[known])
        total = float(weight @ (m.xx + m.yy)[known])
        shared = np.array([weight @ (m.xx - m.yy)[known], -2 * weight @ m.xy[known]])
        return np.asarray(shared / max(total, 1e-9), np.float64)

    @cached_property
    def class_contrast(self) -> NDArray[np.float64]:
        """(n,) contrast of the class of each carbide, grey levels, signed."""
        return np.array([c.contrast for c in self.classes], float)[self.class_index]

    @cached_property
    def analysed_px(self) -> int:
        """Pixels of the frame less what was left out."""
        return self.excluded.size - int(np.count_nonzero(self.excluded))

    @cached_property
    def bare(self) -> NDArray[np.bool_]:
        """(rows, columns) True where only matrix is seen, by no light of a carbide, and analysed."""
        return (self.basins == 0) & ~self.excluded

    @cached_property
    def runs(self) -> Runs:
        """Runs of the labels."""
        return find_runs(self.labels, self.count)

    @cached_property
    def basin_runs(self) -> Runs:
        """Runs of the basins."""
        return find_runs(self.basins, self.count)

    @cached_property
    def perimeters(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """(n,) length of each outline in pixels, with the frame that cuts it and without."""
        return crofton_perimeters(self.runs)

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
        basins = self.basin_runs
        return sums(basins.length, basins), basins.integrate(self.contrast)

    @cached_property
    def highest(self) -> NDArray[np.float64]:
        """(n,) highest smoothed contrast in each outline, grey levels, on whichever side of the matrix."""
        within = np.flatnonzero(self.labels)
        found = np.zeros(self.count + 1, np.float32)  # several times faster of one kind of number
        height = np.abs(smoothed(self.contrast)).ravel().take(within)
        np.maximum.at(found, self.labels.ravel().take(within), height)
        return found[1:].astype(float)

    @cached_property
    def contrast_area_px(self) -> NDArray[np.float64]:
        """(n,) area by integrated contrast: that of the basin by that of the class, times what the edges tell.

        The outline stands in where that gives none above 0, and throughout where outlines were taught: integrated
        contrast is what failed there.
        """
        if self.area_by_hand is not None:
            return self.area_by_hand
        if self.area_by_outlines:
            return self.outline_px
        area = self.basin_sums[1] / self.class_contrast
        return np.where(area > 0, area, self.outline_px) * self.verdict.factor

    @property
    def film_share(self) -> float:
        """Share of the amount that is in films."""
        area = 0.0 if self.films is None else self.films.area_px
        return area / max(area + float(self.contrast_area_px.sum()), 1e-9)

    @cached_property
    def cut(self) -> NDArray[np.bool_]:
        """(n,) True where the frame cuts a carbide."""
        return touches_edge(self.runs)

    @cached_property
    def small(self) -> NDArray[np.bool_]:
        """(n,) True where a carbide is smaller than the resolved diameter, so that its shape is lost."""
        return 2 * np.sqrt(self.contrast_area_px / np.pi) < resolved_diameter_px(self.blur_px)

    @cached_property
    def no_single(self) -> NDArray[np.bool_]:
        """(n,) True for resolved outlines, longer than wide, that are less of an ellipse than single carbides are."""
        shape = self.outline_moments
        xx, yy = shape.xx - PIXEL_VARIANCE, shape.yy - PIXEL_VARIANCE
        with np.errstate(invalid="ignore", divide="ignore"):
            ellipse = 4 * np.pi * np.sqrt(np.maximum(xx * yy - shape.xy**2, 0)) / shape.area
        return (ellipse > 1 + WAISTED) & (shape.aspect > PAIR_ASPECT) & ~self.small & ~self.cut

    @cached_property
    def flag_words(self) -> NDArray[np.uint32]:
        """(n,) bits of all that is known of each carbide."""
        edge, small = (np.where(which, bit(name), 0) for which, name in ((self.cut, "edge"), (self.small, "small")))
        # What a person cut or joined is as they say.
        concave = np.where(self.no_single & (self.flags & bit("by_hand") == 0), bit("concave"), 0)
        return (self.flags | edge | small | concave).astype(np.uint32)

    @cached_property
    def light_outside(self) -> float:
        """Contrast summed over all that lies outside the basins."""
        import cv2

        # Down the columns: the sum of all elements differs in its last digits by where in memory they begin.
        columns = cv2.reduce(self.contrast, 0, cv2.REDUCE_SUM, dtype=cv2.CV_64F)
        return float(columns.sum()) - float(self.basin_sums[1].sum())

    @cached_property
    def contrast_around(self) -> tuple[float, float]:
        """Mean contrast just outside the basins, and its standard uncertainty.

        It is about 0 unless the matrix is brighter or darker near carbides. Light that lies further out too, of what is
        too small for an outline, comes off what is brighter.
        """
        import cv2

        owned = self.basins != 0
        around = cv2.dilate(owned.view(np.uint8), np.ones((7, 7), np.uint8)) & ~(owned | self.excluded)
        pixels = max(1, cv2.countNonZero(around))
        near = cv2.mean(self.contrast, around)[0]
        further = max(1, self.analysed_px - int(self.basin_sums[0].sum()) - pixels)
        far = (self.light_outside - near * pixels) / further
        uncertainty = self.noise * float(np.sqrt(self.noise_area_px * (1 / pixels + 1 / further)))
        return near - float(np.clip(far, 0, max(near, 0))), uncertainty

    @cached_property
    def matrix_covariance(self) -> NDArray[np.float64]:
        """(lags,) covariance of the smoothed matrix at `micro.segmentation.matrix.LAGS_PX`, of the field's middle."""
        return covariance_at_lags(self.contrast, self.bare)

    def with_issues(self, issues: tuple[Issue, ...]) -> Segmentation:
        """Return it with these issues; what was computed from the pictures is kept."""
        return self._keeping(replace(self, issues=issues))

    def with_verdict(self, verdict: Verdict) -> Segmentation:
        """Return it with this verdict; what was computed from the pictures and does not depend on it is kept."""
        return self._keeping(replace(self, verdict=verdict), JUDGED)

    def with_flags(self, flags: NDArray[np.uint32]) -> Segmentation:
        """Return it with these flags of the carbides (n,); what was computed from the pictures is kept."""
        return self._keeping(replace(self, flags=flags), ("flag_words",))

    def _keeping(self, new: Segmentation, but: tuple[str, ...] = ()) -> Segmentation:
        known = vars(new)
        known.update({name: value for name, value in vars(self).items() if name not in known and name not in but})
        return new

    def cropped(self, part: tuple[slice, slice]) -> Segmentation:
        """Return rows and columns of it; numbers of carbides stay as they are, so that some may have no pixel."""
        pictures = {name: getattr(self, name)[part] for name in ("labels", "basins", "contrast", "excluded")}
        return replace(self, **pictures, films=self.films and self.films.cropped(part))
