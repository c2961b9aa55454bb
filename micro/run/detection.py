"""What a picture can show: invented carbides set into its own matrix, and looked for as all others."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.field import FieldResult, not_analysed
from micro.measures.totals import NONE_SEEN
from micro.phantom.shapes import Shapes, cover, shapes
from micro.segmentation.blurred_shapes import resolved_diameter_px
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.segmentation.stages import segment
from micro.statistics.detection import DetectionCurve, fit_detection
from micro.tables.columns import DETECTION, flagged, names

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]

# In resolved diameters: from what is never found to what always is (chosen).
SMALLEST, LARGEST = 0.25, 2.5
# So many of the later pictures' carbides have diameters that are found neither always nor never. Chosen: 800 trials of
# which 7 in 10 lie there told the number missed as 1 500 did without (simulated).
MOST, LOGIT_95 = 0.7, np.log(19.0)
# One carbide a cell at most, and so many places tried for it: where carbides crowd few places are clear (chosen).
CELL_PX, PLACES = 24, 12
# Carbides set in stay clear of those there by their radius and so many edge spreads (chosen).
CLEAR_SPREADS = 4.0
# Fewer resolved carbides than these say too little of the shapes (chosen).
FEWEST_SHAPED = 20
SIZE_CLASSES = 8
LOOKED_PX = 1
# The level that the matrix is turned about is a mean over so many edge spreads (chosen).
TURNED_ABOUT = 8.0
SYNTHETIC = 3


@dataclass(frozen=True, eq=False)
class Detection:
    """What was found of carbides set into one picture.

    Parameters
    ----------
    curve
        Probability of detection against the diameter in µm; None where all or none were found.
    trials
        One row a carbide set in: ecd_um, found, area_ratio (measured over true, NaN where missed).
    false_calls
        Mean number of carbides found in a picture whose matrix holds none.
    mark_calls
        Number found on pits, dust and the like in the turned picture: as many may be among the carbides, if such marks
        are as often of their polarity as of the other.
    found
        Carbides found in the picture as it is.
    pictures
        Pictures that all this is of.
    """

    curve: DetectionCurve | None
    trials: pd.DataFrame
    false_calls: float
    found: int
    pictures: int = 1
    mark_calls: float = 0.0

    @classmethod
    def of_fields(cls, fields: Sequence[Detection]) -> Detection:
        """All trials of several fields as one, their false calls and carbides found added up."""
        trials = pd.concat([one.trials for one in fields], ignore_index=True)
        calls, found = sum(one.false_calls for one in fields), sum(one.found for one in fields)
        return cls(_curve(trials), trials, calls, found, len(fields), sum(one.mark_calls for one in fields))

    @property
    def false_call_rate(self) -> float:
        """Share of the carbides found that are not there, at worst; NaN where none are found."""
        return min((self.false_calls + self.mark_calls) / self.found, 1.0) if self.found else np.nan

    @property
    def sentence(self) -> str:
        """The answer in words."""
        if self.curve is None or not np.isfinite(self.curve.a90):
            said = "The size found nine times in ten lies outside the sizes tried"
        else:
            where = "these pictures" if self.pictures > 1 else "this picture"
            said = (
                f"In {where} carbides above {self.curve.a90:.2g} µm are found nine times in ten "
                f"({self.curve.a90_95:.2g} µm at 95 % confidence)"
            )
        if not self.found:
            return f"{said}."
        return f"{said}; of 100 found, {self._false_words()} not there."

    def _false_words(self) -> str:
        per_100 = 100 * self.false_call_rate
        if self.mark_calls > self.false_calls and per_100 >= 0.5:
            return f"up to {per_100:.0f} are"
        if per_100 > 0:
            return "fewer than one is" if per_100 < 0.5 else f"{per_100:.0f} {'is' if round(per_100) == 1 else 'are'}"
        # With none seen, up to three are expected at 95 % on all matrices together (Poisson).
        at_most = 100 * NONE_SEEN / (1 + SYNTHETIC) / self.found
        return "fewer than one is" if at_most < 1 else f"at most {np.ceil(at_most):.0f} are"


def detect(found: FieldResult, pictures: int, seed: int, settings: SegmentationSettings | None = None) -> Detection:
    """Set carbides into a field's picture and look for them.

    Parameters
    ----------
    found
        The field, with at least one carbide class.
    pictures
        How often carbides are set in.
    seed
        Same seed, same answer.

    Raises
    ------
    ValueError
        If the field shows no second phase.
    """
    if not found.segmentation.classes:
        raise ValueError("no second phase found: nothing to set in")
    settings = _of_one_polarity(found.segmentation, settings or SegmentationSettings())
    rng = np.random.default_rng(seed)
    um_per_px = found.scale.um_per_px
    trials = _trial(found, settings, rng)
    for _ in range(1, pictures):
        trials = pd.concat([trials, _trial(found, settings, rng, between_px(trials))], ignore_index=True)
    trials = trials.assign(ecd_um=trials.pop("ecd_px") * um_per_px)
    where = _matrix(found.segmentation)
    drawn = (_exposed(found, synthetic_matrix(found.segmentation, rng), where) for _ in range(SYNTHETIC))
    turned, turned_where = turned_matrix(found)
    (first, of_marks), *others = (
        _false_calls(found, picture, masks, settings)
        for picture, masks in ((turned, (where, turned_where)), *((picture, (where,)) for picture in drawn))
    )
    # The turned picture is the matrix itself, the others its spectrum alone: the worse of the two is told.
    worse = max(first, float(np.mean(others)))
    return Detection(_curve(trials), trials, worse, found.segmentation.count, mark_calls=max(of_marks - first, 0))


def between_px(trials: pd.DataFrame) -> tuple[float, float]:
    """Diameters, px, found once and nineteen times in twenty by what earlier pictures told; else all.

    What is missed below and found above is known already: there more trials say next to nothing of the number missed.
    """
    size, hit = trials["ecd_px"].to_numpy(float), trials["found"].to_numpy(bool)
    if len(hit) < 10 or not 0 < hit.sum() < len(hit):
        return size.min(initial=np.inf), size.max(initial=0.0)
    b0, b1 = fit_detection(size, hit).coefficients
    ends = np.exp((np.array([-LOGIT_95, LOGIT_95]) - b0) / b1) if b1 > 0 else np.array([0.0, np.inf])
    return max(ends[0], size.min()), min(ends[1], size.max())


def _curve(trials: pd.DataFrame) -> DetectionCurve | None:
    size, hit = trials["ecd_um"].to_numpy(float), trials["found"].to_numpy(bool)
    return fit_detection(size, hit) if 0 < hit.sum() < len(hit) and len(hit) >= 10 else None


def _of_one_polarity(segmentation: Segmentation, settings: SegmentationSettings) -> SegmentationSettings:
    """Pin the polarity found, so that a changed matrix does not turn it."""
    signs = {np.sign(c.contrast) for c in segmentation.classes}
    return replace(settings, carbides="bright" if signs == {1.0} else "dark") if len(signs) == 1 else settings


def _trial(
    found: FieldResult, settings: SegmentationSettings, rng: np.random.Generator,
    most_px: tuple[float, float] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Columns ecd_px, found, area_ratio of the carbides of one picture."""
    low, high = (resolved_diameter_px(found.segmentation.blur_px) * end for end in (SMALLEST, LARGEST))
    outlines = carbides_to_set(found, rng, lambda count: diameters_px(low, high, count, rng, most_px))
    again = segment(set_in(found, outlines), settings, found.micrograph.grey_max)
    ecd = 2 * np.sqrt(outlines.semi_major * outlines.semi_minor)
    label = labels_at(again.labels, outlines.x, outlines.y)
    area = np.append(np.nan, again.contrast_area_px)[label]
    return pd.DataFrame({"ecd_px": ecd, "found": label > 0, "area_ratio": area / (np.pi / 4 * ecd**2)})


def labels_at(labels: NDArray[np.int32], x: FloatArray, y: FloatArray) -> NDArray[np.int32]:
    """(n,) label at a place or next to it, 0 where there is none."""
    around = cv2.dilate(labels.astype(np.float32), np.ones((2 * LOOKED_PX + 1,) * 2, np.uint8))
    return around[y.astype(int), x.astype(int)].astype(np.int32)


def carbides_to_set(found: FieldResult, rng: np.random.Generator, diameters: Callable[[int], FloatArray]) -> Shapes:
    """Carbides with the aspect ratios, directions and classes of the field's, at clear places.

    Parameters
    ----------
    diameters
        Gives so many of them, px, in any order.
    """
    segmentation = found.segmentation
    spread = segmentation.blur_px or 1.0
    own = _shaped(found.particles)
    own = own.sample(len(own), random_state=int(rng.integers(2**31)))
    rows, columns = segmentation.labels.shape
    left, top = np.meshgrid(np.arange(0, columns - CELL_PX, CELL_PX), np.arange(0, rows - CELL_PX, CELL_PX))
    ecd = diameters(left.size)
    row = rng.integers(0, len(own), left.size)
    rolling = found.micrograph.rolling_deg or 0.0
    outlines = shapes(
        ecd,
        rng,
        aspect=np.clip(own["aspect_ratio"].to_numpy(float)[row], 1.0, 4.0),
        angle_deg=own["angle_deg"].to_numpy(float)[row] + rolling,
        class_index=segmentation.class_index[own["particle"].to_numpy(int)[row] - 1],
    )
    taken = (segmentation.basins > 0) | segmentation.excluded
    free = 1 - np.pad(taken, 1, constant_values=True).astype(np.uint8)
    clear = cv2.distanceTransform(free, cv2.DIST_L2, cv2.DIST_MASK_5)[1:-1, 1:-1]
    needed = outlines.reach + CLEAR_SPREADS * spread
    x, y = (corner.ravel() + rng.uniform(0, CELL_PX, (PLACES, corner.size)) for corner in (left, top))
    fits = clear[y.astype(int), x.astype(int)] > needed
    first = fits.argmax(axis=0), np.arange(left.size)
    x, y = x[first], y[first]
    return outlines.moved(x, y).take(fits[first] & _apart(x, y, needed, fits[first]))


def diameters_px(
    lowest: float, highest: float, count: int, rng: np.random.Generator, most_px: tuple[float, float] | None = None
) -> FloatArray:
    """(count,) diameters, one in each of as many parts of the range, in any order.

    They are even on the logarithm; MOST of them lie between the two `most_px` where these are given.
    """
    low, high = np.log(lowest), np.log(highest)
    place = (rng.permutation(count) + rng.uniform(0, 1, count)) / count
    if most_px is None or not 0 < most_px[0] < most_px[1]:
        return np.asarray(np.exp(low + place * (high - low)))
    # The sum of two even laws: its share below a diameter, turned about.
    edges = np.unique(np.clip(np.array([low, *np.log(most_px), high]), low, high))
    share = (1 - MOST) * (edges - low) / (high - low) + MOST * np.interp(edges, np.log(most_px), [0.0, 1.0])
    return np.asarray(np.exp(np.interp(place, share / share[-1], edges)))


def _apart(x: FloatArray, y: FloatArray, needed: FloatArray, fits: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(n,) True for carbides that fit and stay clear of all before them that do."""
    from scipy import spatial

    there = np.flatnonzero(fits)
    places = np.stack([x[there], y[there]], axis=1)
    pairs = (
        spatial.cKDTree(places).query_pairs(2 * needed.max(), output_type="ndarray") if len(there) else there[:, None]
    )
    near = np.zeros(len(x), bool)
    if len(pairs):
        first, second = there[pairs.T]
        gap = np.hypot(x[first] - x[second], y[first] - y[second])
        near[np.maximum(first, second)[gap < needed[first] + needed[second]]] = True
    return ~near


def _shaped(particles: pd.DataFrame) -> pd.DataFrame:
    """Carbides whose shape is resolved; all of them where these are few. Noise draws small ones out in length."""
    resolved = particles[~flagged(particles["flags"], "small")]
    return resolved if len(resolved) >= FEWEST_SHAPED else particles


def set_in(found: FieldResult, outlines: Shapes) -> Picture:
    """Grey picture with these carbides in it: class grey in place of the matrix, blurred, lit and noisy as it is.

    The grain that a carbide covers is taken from the matrix as it was before the lens (one step of P. H. van Cittert,
    1931, from memory): grain that shows through would help one carbide and hide another, and the curve were too flat.
    """
    segmentation = found.segmentation
    blur = max(segmentation.blur_px or 1.0, 0.1)
    coverage = cover(outlines, segmentation.labels.shape, len(segmentation.classes)).by_class
    before = 2 * segmentation.contrast - _blurred(segmentation.contrast, blur)
    contrast = segmentation.contrast - _blurred(coverage.sum(axis=0) * before, blur)
    changed = np.zeros(contrast.shape, bool)
    for own, one in zip(coverage, segmentation.classes, strict=True):
        share = _blurred(own, blur)
        contrast += share * np.float32(one.contrast)
        changed |= share > 1e-3
    return _exposed(found, contrast, changed)


def _blurred(picture: Picture, sigma: float) -> Picture:
    return cv2.GaussianBlur(picture, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)


def _exposed(found: FieldResult, contrast: Picture, changed: NDArray[np.bool_]) -> Picture:
    """Grey levels of a changed contrast in the light of the picture; elsewhere the picture as it is."""
    grey, segmentation = found.micrograph.grey, found.segmentation
    whole = segmentation.contrast + segmentation.matrix_grey
    gain = grey / np.where(np.abs(whole) < 1, 1, whole)
    lit = np.clip(np.rint(gain * (contrast + segmentation.matrix_grey)), 0, found.micrograph.grey_max)
    return np.where(changed & ~segmentation.excluded, lit, grey).astype(np.float32)


def _matrix(segmentation: Segmentation) -> NDArray[np.bool_]:
    """(rows, columns) True on the matrix, clear of all carbides, and of the marks that segmentation took for such."""
    # Pits, dust and the like are given no contrast at all; of single pixels chance does so too.
    marks = _opened((segmentation.contrast == 0) & ~segmentation.excluded)
    return _clear_of_carbides(segmentation) & ~_grown(segmentation.excluded | marks)


def _opened(where: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return cv2.morphologyEx(where.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)) > 0


def _clear_of_carbides(segmentation: Segmentation) -> NDArray[np.bool_]:
    return ~_grown(segmentation.basins > 0)


def _grown(where: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return cv2.dilate(where.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0


def turned_matrix(found: FieldResult) -> tuple[Picture, NDArray[np.bool_]]:
    """Picture with all but its carbides turned to the other polarity, and (rows, columns) where it is.

    What stands out of it now is no carbide. Pits and dust that the program knows by their polarity are turned too:
    their like in the polarity of the carbides, where there are such, it cannot know.
    """
    grey, segmentation = found.micrograph.grey, found.segmentation
    where = _clear_of_carbides(segmentation) & ~_grown(not_analysed(found.micrograph))
    even = _matrix(segmentation)
    level = np.where(even, grey - segmentation.contrast, 0)
    sigma = TURNED_ABOUT * (segmentation.blur_px or 1.0)
    total, weight = (cv2.GaussianBlur(p.astype(np.float32), (0, 0), sigma) for p in (level, even))
    # Far from all matrix nothing is known of the level, and nothing is turned.
    known = where & (weight > 1e-3)
    turned = 2 * total / np.maximum(weight, 1e-3) - grey
    picture = np.where(known, np.clip(np.rint(turned), 0, found.micrograph.grey_max), grey)
    return picture.astype(np.float32), known


def synthetic_matrix(segmentation: Segmentation, rng: np.random.Generator) -> Picture:
    """Contrast with the matrix drawn anew from its power spectrum, with phases at random."""
    where = _matrix(segmentation)
    grain = np.where(where, segmentation.contrast, 0)
    grain = np.where(where, grain - grain.sum() / max(where.sum(), 1), 0)
    phase = np.fft.rfft2(rng.standard_normal(grain.shape))
    phase /= np.maximum(np.abs(phase), 1e-12)
    drawn = np.fft.irfft2(np.abs(np.fft.rfft2(grain)) * phase, grain.shape) / np.sqrt(max(where.mean(), 1e-3))
    return np.where(where, drawn, segmentation.contrast).astype(np.float32)


def _false_calls(
    found: FieldResult, picture: Picture, masks: Sequence[NDArray[np.bool_]], settings: SegmentationSettings
) -> list[int]:
    """Count carbides that are found in each mask, where a picture (rows, columns) was changed and holds none."""
    again = segment(picture, settings, found.micrograph.grey_max)
    inside = (np.bincount(again.labels[mask], minlength=again.count + 1)[1:] for mask in masks)
    return [int(np.count_nonzero(own > again.outline_px / 2)) for own in inside]


def size_table(detection: Detection, specimen: str) -> pd.DataFrame:
    """Rows of detection.csv: hits of each class of size beside the curve, and the median error of the area there."""
    trials = detection.trials
    edges = np.quantile(trials["ecd_um"], np.linspace(0, 1, SIZE_CLASSES + 1))
    which = np.clip(np.searchsorted(edges, trials["ecd_um"], side="right") - 1, 0, SIZE_CLASSES - 1)
    size = np.array([np.exp(np.log(own["ecd_um"]).mean()) for _, own in trials.groupby(which)])
    table = trials.groupby(which).agg(set_in=("found", "size"), found=("found", "sum"), ratio=("area_ratio", "median"))
    table = table.assign(specimen=specimen, ecd_um=size, area_error=table["ratio"] - 1).reset_index(drop=True)
    for name in ("probability", "probability_low", "probability_high"):
        table[name] = np.nan
    if detection.curve is not None:
        table["probability"] = detection.curve.probability(size)
        table["probability_low"], table["probability_high"] = detection.curve.band(size)
    return table[names(DETECTION)]
