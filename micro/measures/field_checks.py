"""All that one field tells of itself: focus, motion, compression, etch, scale, and whether it is one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.errors import InputError
from micro.issues import Issue, issue, ordered
from micro.measures.particles import flagged_share, touching_unseen
from micro.scale.ruling import SMALLEST_SIDE, energy_by_direction, find_ruling
from micro.scale.scale import Scale
from micro.segmentation.blurred_shapes import RESOLVED
from micro.segmentation.segmentation import Segmentation
from micro.statistics.robust import biweight_fit
from micro.statistics.robust import spread as robust_spread
from micro.tables.columns import flagged

FloatArray = NDArray[np.float64]
FEWEST = 25
FAR = 4.0


@dataclass(frozen=True)
class EtchChange:
    """How the contrast of carbides over the matrix changes across the field.

    Parameters
    ----------
    relative_range
        Highest less lowest contrast over the frame (a plane through the carbides), over the mean contrast.
    standard_uncertainty
        Of `relative_range`.
    direction_deg
        Towards the higher contrast, counter-clockwise from the horizontal as seen, 0 to 360.
    """

    relative_range: float
    standard_uncertainty: float
    direction_deg: float


def etch_change(segmentation: Segmentation) -> EtchChange | None:
    """Fit the contrast of the carbides by their place and size; None with fewer than 25 carbides.

    Blur takes contrast from small carbides, so that the size stands beside the place. Carbides far from the fit lose
    their weight.
    """
    if segmentation.count < FEWEST:
        return None
    rows, columns = segmentation.labels.shape
    place, size = segmentation.outline_moments, segmentation.outline_px
    mean = segmentation.runs.integrate(segmentation.contrast) / np.maximum(size, 1)
    x, y = place.x / columns - 0.5, place.y / rows - 0.5
    share = mean / segmentation.class_contrast
    usable = (size > 0) & (share > 0)
    if usable.sum() < FEWEST:
        return None
    return _plane(share[usable], x[usable], y[usable], np.log(size[usable]))


def _plane(share: FloatArray, x: FloatArray, y: FloatArray, log_size: FloatArray) -> EtchChange:
    s = log_size - log_size.mean()
    design = np.stack([x, y, np.ones_like(x), s, s**2, s**3], axis=1)
    factors, covariance = biweight_fit(design, share, 1.0, FAR, 1e-6)
    level = float(np.median(design[:, 2:] @ factors[2:]))
    across, down = factors[0] / level, factors[1] / level
    slope = np.array([np.sign(across), np.sign(down)]) / level
    return EtchChange(
        relative_range=float(abs(across) + abs(down)),
        standard_uncertainty=float(np.sqrt(slope @ covariance[:2, :2] @ slope)),
        direction_deg=float(np.degrees(np.arctan2(-down, across)) % 360),
    )


LONGEST_PX = 512
# Invented micrometers have 26 and more, fields 12 and less; heavy parallel scratches reach 45, yet are not even.
SHARPEST_FIELD = 18.0


def stage_micrometer(grey: NDArray[np.float32]) -> Issue | None:
    """Tell whether a picture shows a stage micrometer: one direction stands out, and its lines make an even ruling.

    Parameters
    ----------
    grey
        (rows, columns) grey levels. Looked at with at most LONGEST_PX along the longer side; lines that come closer
        than 3 px then are not seen.
    """
    factor = min(1.0, LONGEST_PX / max(grey.shape))
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    if min(small.shape) < SMALLEST_SIDE or sharpness(small) < SHARPEST_FIELD:
        return None
    try:
        ruling = find_ruling(small, SHARPEST_FIELD)
    except InputError:
        return None
    return issue("stage_micrometer", lines=int(ruling.fit.used.sum()))


def sharpness(grey: NDArray[np.float32]) -> float:
    """Energy of the spectrum along its strongest direction over that of the usual one; 1 where all are alike."""
    energy = energy_by_direction(grey)
    usual = float(np.median(energy))
    return float(energy.max()) / usual if usual > 0 else 1.0


LARGEST_UM, SMALLEST_UM = 60.0, 0.15
SHARPEST_UM = 0.05
TOLERANCE = 0.05
LARGEST_TAG_UM = 5.0
FEWEST_FIELDS = 4
ANOTHER_LENS = 1.6
AS_MUCH = 2.0


def implausible_size(median_ecd_um: float, blur_um: float) -> Issue | None:
    """Tell whether carbides or edges do not fit the scale.

    Parameters
    ----------
    median_ecd_um
        Diameter that halves the area of the carbides.
    blur_um
        Standard deviation of the edge spread.

    Notes
    -----
    Primary carbides of tool steels are 0.5 to 50 µm (common practice). A lens of aperture A draws no edge sharper than
    about 0.21 wavelengths over A (Gaussian fitted to the disc of Airy): 0.07 µm with oil and blue light.
    """
    if median_ecd_um > LARGEST_UM:
        return issue("too_large", ecd_um=median_ecd_um)
    if median_ecd_um < SMALLEST_UM:
        return issue("too_small", ecd_um=median_ecd_um)
    return issue("too_sharp", blur_um=blur_um) if blur_um < SHARPEST_UM else None


def scale_disagrees(um_per_px: float, stated_um_per_px: float, origin: str) -> Issue | None:
    """Tell whether the file states another size of a pixel than the one in use.

    Five percent are left for the magnification engraved on a lens (common practice). Sizes over 5 µm are resolutions
    for print, not of a lens that shows carbides.
    """
    if stated_um_per_px > LARGEST_TAG_UM or abs(np.log(stated_um_per_px / um_per_px)) < np.log(1 + TOLERANCE):
        return None
    return issue("scale_disagrees", stated_um_per_px=stated_um_per_px, origin=origin, um_per_px=um_per_px)


def another_magnification(
    area_fraction: NDArray[np.float64], mean_ecd_um: NDArray[np.float64], number_per_mm2: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(n,) factor by which the scale of a field seems off against the other fields of its specimen; NaN where it fits.

    A wrong scale leaves the area fraction, multiplies diameters by k and numbers by 1/k². Fewer than 4 fields tell
    nothing.
    """
    factor = np.full(len(area_fraction), np.nan)
    known = (area_fraction > 0) & (mean_ecd_um > 0) & (number_per_mm2 > 0)
    if known.sum() < FEWEST_FIELDS:
        return factor
    share, size, number = (np.log(v[known] / np.median(v[known])) for v in (area_fraction, mean_ecd_um, number_per_mm2))
    by_number = -number / 2
    far = (np.minimum(np.abs(size), np.abs(by_number)) > np.log(ANOTHER_LENS)) & (size * by_number > 0)
    off = far & (np.abs(share) < np.log(AS_MUCH))
    factor[np.flatnonzero(known)[off]] = np.exp((size + by_number) / 2)[off]
    return factor


def different_scales(um_per_px: NDArray[np.float64]) -> bool:
    """Tell whether sizes of a pixel differ by more than the tolerance."""
    return bool(len(um_per_px)) and float(um_per_px.max() / um_per_px.min()) > 1 + TOLERANCE


# Invented fields without a fault stay below 0.02 and 3, and below 0.06 or 6: see tests/measures/test_false_alarms.py.
LEAST_STEP, SURE_STEP = 0.05, 6.0
LEAST_CHANGE, SURE_CHANGE = 0.075, 6.0

MUCH_OPEN = 0.1  # of the outlines: fewer move the number by less than fields scatter (chosen)
MUCH_CONCAVE = 0.1  # of the area: chains of discs with so much are counted some 10 % low (chosen; test_split.py)


def check_field(
    segmentation: Segmentation,
    grey: NDArray[np.float32],
    particles: pd.DataFrame,
    scale: Scale,
    stated: Scale | None = None,
    blur: DirectedBlur | None = None,
) -> Segmentation:
    """Add what one field tells of itself to the issues of its segmentation.

    Parameters
    ----------
    grey
        (rows, columns) grey levels as in the file.
    particles
        The field's table from `measure_particles`.
    scale
        Size of a pixel in use.
    stated
        The one that the file states; None where it states none, or where it is the one in use.
    blur
        As of `micro.measures.field_checks.directed_blur`.
    """
    s, median_px = segmentation, _median_ecd(particles)
    found = [stage_micrometer(grey), _concave(particles), *_open(particles), _motion(blur), _blocks(grey, s.noise)]
    if s.blur_px is not None and s.count:
        found.append(soft_focus(s.blur_px, median_px))
        found.append(implausible_size(median_px * scale.um_per_px, s.blur_px * scale.um_per_px))
    if stated is not None:
        found.append(scale_disagrees(scale.um_per_px, stated.um_per_px, stated.origin))
    if not s.area_by_outlines:  # taught outlines need no contrast: it may be any
        found.append(_etch(s))
    return s.with_issues(ordered((*s.issues, *(one for one in found if one is not None))))


def _median_ecd(particles: pd.DataFrame) -> float:
    """Diameter that halves the area of the carbides, px; NaN without carbides."""
    area = np.sort(np.maximum(particles["area_px2"].to_numpy(float), 0))
    if not area.sum() > 0:
        return float("nan")
    return float(2 * np.sqrt(area[np.searchsorted(np.cumsum(area), area.sum() / 2)] / np.pi))


def _concave(particles: pd.DataFrame) -> Issue | None:
    share = flagged_share(particles, "concave")
    if not share > MUCH_CONCAVE:
        return None
    outlines = int(np.count_nonzero(flagged(particles["flags"], "concave")))
    return issue("concave", share=share, outlines=outlines, more=touching_unseen(particles).sum() / len(particles))


def _open(particles: pd.DataFrame) -> Iterator[Issue]:
    """Say what share of the outlines may be no carbide, and what share tells of others that are missed."""
    for flag, kind in (("doubtful", "may_be_none"), ("faint", "may_be_missed")):
        share = float(flagged(particles["flags"], flag).mean()) if len(particles) else 0.0
        if share > MUCH_OPEN:
            yield issue(kind, share=share)


def _motion(blur: DirectedBlur | None) -> Issue | None:
    if blur is None:
        return None
    return issue("motion_blur", direction_deg=blur.direction_deg, length_px=blur.length_px)


def _blocks(grey: NDArray[np.float32], noise: float) -> Issue | None:
    steps = block_steps(grey, noise)
    told = steps.excess > LEAST_STEP and steps.significance > SURE_STEP
    return issue("compressed", excess=steps.excess) if told else None


def _etch(s: Segmentation) -> Issue | None:
    change = etch_change(s)
    if change is None or not change.relative_range > max(SURE_CHANGE * change.standard_uncertainty, LEAST_CHANGE):
        return None
    # From end to end the area by light changes as the contrast does, half of it on either side of the mean; a diameter
    # by half as much.
    off = change.relative_range / 4
    return issue("uneven_etch", change=change.relative_range, direction_deg=change.direction_deg, half_width=off)


SOFT_PX = 2.4
HALF_SOFT_PX = 1.9
FEWEST_CARBIDES = 20
SOFTER, SPREADS = 1.4, 6.0


def soft_focus(blur_px: float, median_ecd_px: float) -> Issue | None:
    """Tell whether a field is out of focus.

    Parameters
    ----------
    blur_px
        Standard deviation of the edge spread.
    median_ecd_px
        Diameter that halves the area of the carbides.

    Notes
    -----
    A camera that samples a lens as finely as its resolution asks for sees edges of about 1 px; twice as fine is common
    (common practice). Beyond that the picture holds less than its pixels promise.
    """
    hidden = blur_px > HALF_SOFT_PX and RESOLVED * blur_px > median_ecd_px
    if not (blur_px > SOFT_PX or hidden):
        return None
    return issue("soft_focus", blur_px=blur_px, median_ecd_px=median_ecd_px)


def softer_than_others(blur_px: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(n,) fields of one specimen and one scale that are blurred far more than the median; all False below 4 fields.

    `blur_px` is (n,), NaN where unknown.
    """
    known = np.isfinite(blur_px)
    if known.sum() < FEWEST_FIELDS:
        return np.zeros(len(blur_px), bool)
    usual = float(np.median(blur_px[known]))
    spread = robust_spread(blur_px[known] - usual)
    return known & (blur_px > max(SOFTER * usual, usual + SPREADS * spread))


BLOCK = 8


@dataclass(frozen=True)
class BlockSteps:
    """Steps across block borders.

    Parameters
    ----------
    excess
        Mean step across borders over that elsewhere, less 1.
    significance
        `excess` over its standard uncertainty, the smaller of rows and columns.
    """

    excess: float
    significance: float


def block_steps(grey: NDArray[np.float32], noise: float) -> BlockSteps:
    """Compare the steps between neighbouring pixels at every eighth column and row with those between.

    Parameters
    ----------
    grey
        (rows, columns) grey levels as in the file; the grid may start anywhere.
    noise
        Standard deviation of the matrix; steps beyond four of it count as four, so that carbides do not matter.
    """
    found = [_along(grey[::2], noise, 1), _along(grey[:, ::2], noise, 0)]
    weakest = min(found, key=lambda one: one.significance)
    return BlockSteps(float(np.mean([one.excess for one in found])), weakest.significance)


def _along(grey: NDArray[np.float32], noise: float, axis: int) -> BlockSteps:
    whole = (grey.shape[axis] - 3) // BLOCK * BLOCK
    if whole < 4 * BLOCK:
        return BlockSteps(0.0, 0.0)
    grey = np.ascontiguousarray(grey)
    ahead, behind = (grey[:, 1:], grey[:, :-1]) if axis == 1 else (grey[1:], grey[:-1])
    steps = cv2.min(cv2.absdiff(ahead, behind), float(np.float32(4 * noise + 1)))
    mean = cv2.reduce(steps, 1 - axis, cv2.REDUCE_AVG, dtype=cv2.CV_32F).ravel().astype(float)
    # Each against its neighbours: uneven light and noise change slowly.
    bump = mean[1:-1] - (mean[:-2] + mean[2:]) / 2
    if mean.mean() <= 0:
        return BlockSteps(0.0, 0.0)
    phases = bump[:whole].reshape(-1, BLOCK)
    each = phases.mean(axis=0)
    best = int(np.argmax(each))
    spread = robust_spread(phases - np.median(phases, axis=0))
    certainty = max(spread / np.sqrt(len(phases)), 1e-9)
    return BlockSteps(float(each[best] / mean.mean()), float(each[best] / certainty))


# px²; clean invented fields stay below 0.6, motion over 5 px adds 2.1.
LEAST_PX2 = 0.7


@dataclass(frozen=True)
class DirectedBlur:
    """A variance of the edge spread that one direction has and the other has not.

    Parameters
    ----------
    variance_px2
        Along the direction less across it. An even motion over the length L has L²/12.
    direction_deg
        Counter-clockwise from the horizontal as seen, 0 to 180.
    """

    variance_px2: float
    direction_deg: float

    @property
    def length_px(self) -> float:
        """Length of the even motion with this variance."""
        return float(np.sqrt(12 * self.variance_px2))


def directed_blur(segmentation: Segmentation) -> DirectedBlur | None:
    """Directed blur that the edges show, less what elongated carbides may feign; None where it is none to speak of."""
    x, y = segmentation.directed_edges.variance_px2
    size = float(np.hypot(x, y))
    return DirectedBlur(size, float(np.degrees(np.arctan2(y, x)) / 2 % 180)) if size >= LEAST_PX2 else None
