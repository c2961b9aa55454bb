"""Carbides in a texture that hides them from a threshold: found by their width, read beside planted ones."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import Pixels, close_to
from micro.issues import bit, issue
from micro.segmentation.blurred_shapes import disc_peak
from micro.segmentation.candidates import upward
from micro.segmentation.edge_doubt import ETCHED_EDGE_PX, TOLD
from micro.segmentation.in_texture import OUTLINED_AT, RADII_PX, Heights, Opened, find_heights, wide_regions
from micro.segmentation.levels import FIRST_BLUR, Levels, find_levels
from micro.segmentation.matrix import (
    ADDED_SPREAD_PX,
    CLEARANCE_PX,
    Level,
    Matrix,
    Surface,
    find_level,
    first_surface,
    flatten,
    smoothed,
)
from micro.segmentation.outline import Outlines, outline
from micro.segmentation.planted import Ground, Reading, Shapes, read_planted, true_shapes
from micro.segmentation.segmentation import UNNAMED, Segmentation, SegmentationSettings, Verdict
from micro.segmentation.sides import areas
from micro.segmentation.texture import find_texture
from micro.statistics.sampling import NORMAL_95

Picture = NDArray[np.float32]
Flags = NDArray[np.bool_]
# Light over the field is a polynomial of two degrees: one of four follows packets of laths, and carbides of one grey
# then differ by 3 to 9 % (simulated: laths of 30 %).
LIGHT_DEGREE, ROUNDS, SETTLED = 2, 6, 0.01
DEEP_PX, DEEP_ENOUGH, FEWEST_DEEP = 2.0, 5, 6
# Of the level: carbides of 10 and 16 px in laths of 20 to 35 % have levels within 0.02 to 0.08 of each other, and
# within each 0.00 to 0.03 beyond the noise of pixels; crests of laths alone 0.09 to 0.32 and 0.03 to 0.6 (simulated:
# tests/etch/test_in_texture.py), hand-labelled etched steels of two phases 0.15 to 0.25 and 0.08 to 0.22.
LEVELS_DIFFER, INSIDE = 0.12, 0.04
OUTLYING, LEAST_SPREAD = 3.0, 0.02  # spreads below the level, the spread at least 2 % of it (chosen)
MIDDLE, REACHED = 0.6, 0.85  # share of the depth that is the middle; of the height under the blur (chosen)
# Of the level: the lowest at which another kind is looked for; and standard errors of a count (both chosen).
BENEATH, SURELY = 0.4, 4.0
# Standard deviation of the smoothed matrix, of the level: in laths of 40 %, 0.28 and more, areas are up to 25 % off.
TOO_STRONG = 0.25
# Of the area: carbides of 6 px leave 0.33 and more, of 10 px 0.19 at most (simulated: laths of 20 to 35 %).
UNFOUND = 0.2
SMALLEST, HALF = 0.1, 0.5
# Where no crest of the other side passes, at most three of this side do (Poisson, 95 %): a fifth of 15 carbides.
FEWEST_CARBIDES, FALSE_MAY_BE = 15, 3.0
# Standard uncertainty of the area over the scatter of the matrix: light of laths longer than a carbide (simulated: 60
# fields in laths of 20 to 35 % are 2 to 3 % off).
TEXTURE_ERROR = 0.1
COARSE = 0.12  # level scatter of blocks of 32 px, of the level: laths of 30 % have 0.07 to 0.11 (simulated)
CLIPPED = 0.02  # of the area: above it the level is not theirs


@dataclass(frozen=True, eq=False)
class View:
    """A field as seen for one polarity, carbides upward.

    Parameters
    ----------
    contrast, smooth
        (rows, columns) flattened, as it is and smoothed.
    matrix
        Its matrix.
    heights
        What carbides pass.
    levels
        Their level and blur.
    excluded
        (rows, columns) True where nothing is analysed.
    """

    contrast: Picture
    smooth: Picture
    matrix: Matrix
    heights: Heights
    levels: Levels
    excluded: Flags

    @property
    def level(self) -> float:
        """Contrast of the carbides."""
        return self.levels.classes[0].contrast

    @property
    def blur(self) -> float:
        """Blur, px."""
        return self.levels.blur_px or FIRST_BLUR

    @property
    def spread(self) -> float:
        """Standard deviation of the blur with that of the smoothing, px."""
        return float(np.hypot(self.blur, ADDED_SPREAD_PX))

    def with_level(self, level: float) -> View:
        """Return it with another level of the carbides."""
        own = replace(self.levels.classes[0], contrast=level)
        return replace(self, levels=replace(self.levels, classes=(own,)), heights=replace(self.heights, level=level))

    def outlines(self, contrast: Picture) -> Outlines:
        """Outlines of what is as wide and high as carbides in a picture with the same matrix."""
        smooth = Opened(smoothed(contrast))
        shown = np.where(wide_regions(smooth, self.heights), smooth.by(RADII_PX[0]), np.float32(0))
        noise = np.full(contrast.shape, self.matrix.sensor_smooth_noise(), np.float32)
        found = outline(contrast, shown, noise, self.levels, SegmentationSettings("bright"))
        return self._high(found, smooth.picture)

    def _high(self, found: Outlines, smooth: Picture) -> Outlines:
        """Leave out what does not reach in its middle the height that a disc of its area has under the blur."""
        depth = cv2.distanceTransform((found.labels > 0).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
        pixels = Pixels.of(found.labels, len(found.area))
        own, deepest = pixels.values(depth), np.zeros(pixels.count, np.float32)
        np.maximum.at(deepest, pixels.region, own)
        middle = pixels.take(own >= MIDDLE * deepest.take(pixels.region))
        height = middle.sum(smooth) / np.maximum(middle.size(), 1)
        peak = self.level * disc_peak(found.area / (2 * np.pi * self.spread**2))
        return chosen(found, height > REACHED * peak)


def chosen(found: Outlines, keep: Flags) -> Outlines:
    """Return the outlines `keep` (n,), numbered anew."""
    number = np.append(0, np.where(keep, np.cumsum(keep), 0)).astype(np.int32)
    return Outlines(
        number.take(found.labels),
        number.take(found.basins),
        found.class_index[keep],
        found.cut[keep],
        found.concave[keep],
        found.area[keep],
    )


def carbides_in_texture(
    grey: Picture, excluded: Flags, clipped: Flags, settings: SegmentationSettings
) -> Segmentation | None:
    """Read a field whose texture hides carbides from a threshold; None where width does not tell them from it either.

    Parameters
    ----------
    grey
        (rows, columns) grey levels as in the file.
    excluded, clipped
        (rows, columns) True where nothing is analysed, and at the ends of the scale.
    settings
        What the user pinned; of several classes none is told.
    """
    if len(settings.class_names) > 1 or settings.class_greys:
        return None
    field = Etched(grey, smoothed(grey), excluded, settings, first_surface(grey, LIGHT_DEGREE))
    first = field.flat(excluded)
    signs = {"bright": (1,), "dark": (-1,)}.get(settings.carbides, (1, -1))
    read = [_read(field, first, clipped, sign) for sign in signs]
    found = [one for one in read if one is not None]
    return found[0] if len(found) == 1 else None


@dataclass(frozen=True, eq=False)
class Flat:
    """Level of the matrix; smoothed contrast (rows, columns), bright upward, and turned over."""

    level: Level
    above: Opened
    below: Opened

    def upward(self, sign: int) -> Flat:
        """Carbides of the polarity `sign` upward."""
        return self if sign > 0 else Flat(self.level, self.below, self.above)


@dataclass(frozen=True, eq=False)
class Etched:
    """A field (rows, columns) as in the file, smoothed, and where nothing is analysed; the modes of its blocks."""

    grey: Picture
    smooth_grey: Picture
    excluded: Flags
    settings: SegmentationSettings
    modes: Surface

    def flat(self, away: Flags) -> Flat:
        """Level of a matrix clear of `away`, and what lies above and below it."""
        pinned = self.settings.matrix_grey
        level = find_level(self.grey, self.smooth_grey, away, pinned, LIGHT_DEGREE, self.modes)
        smooth = self.flattened(self.smooth_grey, level)
        return Flat(level, Opened(smooth), Opened(-smooth))

    def flattened(self, picture: Picture, level: Level) -> Picture:
        """Contrast of a picture (rows, columns) over a level, 0 where nothing is analysed."""
        contrast = flatten(picture, level.whole.evaluate(), level.grey)
        contrast[self.excluded] = 0
        return contrast


def _read(field: Etched, first: Flat, clipped: Flags, sign: int) -> Segmentation | None:
    from scipy.special import ndtri

    view, excluded = _view(field, first, sign), field.excluded
    if view is None or view.matrix.smooth_noise > TOO_STRONG * view.level:
        return None
    found = view.outlines(view.contrast)
    alike = _one_level(view, found)
    if alike is None:
        return None
    level, found = alike
    view = view.with_level(level)
    shapes = true_shapes(found, view.spread, float(ndtri(OUTLINED_AT)))
    unfound, most = _unfound(view, found, shapes)
    if most > UNFOUND or (clipped & (found.labels > 0)).sum() > CLIPPED * found.area.sum():
        return None
    ground = Ground(view.contrast, (found.basins > 0) | excluded, view.level, view.blur)
    told = read_planted(ground, shapes, found, view.outlines)
    if told is None or told.missed > UNFOUND:
        return None
    labels = np.where((shapes.cover >= 0.5) & (shapes.number == found.basins), found.basins, 0).astype(np.int32)
    judged = _judged(view, _segmentation(view, replace(found, labels=labels), sign), told, unfound)
    if judged is None or field.settings.carbides != "auto":
        return judged
    return _open_beneath(judged, _beneath(view, found) * float(shapes.area.mean()))


def _view(field: Etched, first: Flat, sign: int) -> View | None:
    """Matrix, heights and level; the matrix again and again clear of all that stands out, however high its crests.

    A crowd of carbides lifts the matrix under it: more of them are found where those found before are left out.
    """
    flat, excluded, settings = first.upward(sign), field.excluded, field.settings
    near, before = np.zeros_like(excluded), 0
    for number in range(ROUNDS):
        if number:
            flat = field.flat(near | excluded).upward(sign)
        heights = find_heights(flat.above, flat.below, flat.level.smooth_noise)
        if heights is None:
            return None
        inside = wide_regions(flat.above, heights)
        near, found = close_to(inside.view(np.uint8), CLEARANCE_PX), int(np.count_nonzero(inside))
        if abs(found - before) <= SETTLED * found:
            break
        before = found
    smooth, matrix, contrast = flat.above.picture, flat.level.matrix(), field.flattened(field.grey, flat.level)
    contrast = upward(contrast, sign)
    quiet = replace(matrix, smooth_noise=matrix.sensor_smooth_noise())
    noise = np.full(smooth.shape, quiet.smooth_noise, np.float32)
    shown = np.where(near, smooth, np.minimum(smooth, 0))
    one = SegmentationSettings("bright", settings.class_names or (UNNAMED,), blur_px=settings.blur_px)
    levels = find_levels(contrast, shown, noise, np.zeros_like(excluded), quiet, one)
    if not levels.classes or heights is None:
        return None
    view = View(contrast, smooth, matrix, heights, levels, excluded)
    return view.with_level(view.level)


def _one_level(view: View, found: Outlines) -> tuple[float, Outlines] | None:
    """Grey level over the matrix, by area, of what was found deep inside, and what has it; None where there is no one.

    Crests have none, neither within each nor from one to the next.
    """
    depth = cv2.distanceTransform((found.labels > 0).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    deep = depth > DEEP_PX
    number, values = found.labels[deep], view.contrast[deep].astype(float)
    pixels, total, squares = (np.bincount(number, w, len(found.area) + 1)[1:] for w in (None, values, values**2))
    enough = pixels >= DEEP_ENOUGH
    if enough.sum() < FEWEST_DEEP:
        return None
    mean = total[enough] / pixels[enough]
    within = np.average(squares[enough] / pixels[enough] - mean**2, weights=pixels[enough])
    low, level, high = np.quantile(mean, [0.16, 0.5, 0.84])
    beyond = np.sqrt(max(0.0, float(within) - view.matrix.sensor_noise**2))
    if (high - low) / 2 > LEVELS_DIFFER * view.level or beyond > INSIDE * view.level:
        return None
    keep = np.ones(len(found.area), bool)
    keep[enough] = mean > level - OUTLYING * max((high - low) / 2, LEAST_SPREAD * level)
    own = keep[enough]
    return float(np.average(mean[own], weights=found.area[enough][own])), chosen(found, keep)


def _unfound(view: View, found: Outlines, shapes: Shapes) -> tuple[float, float]:
    """Share of the area found that carbides too small or too grey for it may add, and its upper bound.

    What the matrix holds more above than below its level, wide enough: as many pixels beyond half of the level, at
    least the smallest tenth of the carbides for each summit; as a bound, whatever the width too (films, nets).
    """
    rest = np.where((found.basins > 0) | view.excluded, np.float32(0), view.smooth)
    sides = [Opened(side) for side in (rest, -rest)]
    above, below = (len(side.summits(RADII_PX[0], HALF * view.level)) for side in sides)
    wide, mirrored = (int(np.count_nonzero(side.by(RADII_PX[0]) > HALF * view.level)) for side in sides)
    beyond = (np.count_nonzero(rest > k * view.level) - np.count_nonzero(rest < -k * view.level) for k in (0.4, HALF))
    total = float(shapes.area.sum())
    each = float(np.quantile(shapes.area, SMALLEST)) / total
    share = max(0.0, (above - below) * each, (wide - mirrored) / total)
    return share, max(share + NORMAL_95 * float(np.sqrt(above + below + 1)) * each, max(beyond) / total)


def _beneath(view: View, found: Outlines) -> float:
    """How many more summits lie below the matrix level than above it; 0 where chance may make as many (Poisson)."""
    rest = np.where((found.basins > 0) | view.excluded, np.float32(0), view.smooth)
    above, below = (len(Opened(side).summits(RADII_PX[0], BENEATH * view.level)) for side in (rest, -rest))
    return float(below - above) if below - above > SURELY * np.sqrt(below + above) else 0.0


def _open_beneath(s: Segmentation, area_px: float) -> Segmentation:
    """Return it with an interval that reaches up to the area with what is as wide below the matrix level.

    Where nobody says on which side carbides lie, that may be a kind of them: its texture is alike above and below.
    """
    more, share = area_px / max(1, s.analysed_px), area_px / max(float(areas(s).sum()), 1e-9)
    if share < TOLD:
        return s
    said = (*s.verdict.said, issue("wide_beneath", share=more, half_width=share))
    return s.with_verdict(replace(s.verdict, more=s.verdict.more + more, said=said))


def _judged(view: View, s: Segmentation, told: Reading, unfound: float) -> Segmentation | None:
    """Return it with its verdict; None where the matrix has no one level."""
    texture = find_texture(s, view.matrix.sensor_noise)
    if texture.level_scatter[2] > COARSE * view.level or s.count < FEWEST_CARBIDES:
        return None
    area = float(areas(s).sum())
    level = NORMAL_95 * texture.level_uncertainty * float(s.basin_sums[0].sum()) / view.level / area
    uneven = NORMAL_95 * TEXTURE_ERROR * view.matrix.smooth_noise / view.level
    rims = ETCHED_EDGE_PX * float(s.perimeters[1].sum()) / area
    half = float(np.linalg.norm([told.half, told.apart / 2, told.missed, level, uneven, rims]))
    half += FALSE_MAY_BE / s.count
    said = issue("read_in_texture", half_width=half, missed=unfound)
    more = unfound * area / max(1, s.analysed_px)
    return s.with_verdict(Verdict(told.factor, half, more, edges=True, said=(said,)))


def _segmentation(view: View, found: Outlines, sign: int) -> Segmentation:
    matrix = view.matrix
    level = view.levels.classes[0]
    return Segmentation(
        labels=found.labels,
        basins=found.basins,
        contrast=np.float32(sign) * view.contrast,
        classes=(replace(level, contrast=sign * level.contrast),),
        class_index=found.class_index,
        flags=np.full(len(found.class_index), bit("blunt"), np.uint32),
        excluded=view.excluded,
        matrix_grey=matrix.grey,
        noise=matrix.noise,
        noise_area_px=matrix.noise_area_px,
        matrix_uncertainty=matrix.uncertainty,
        blur_px=view.levels.blur_px,
        smooth_noise=matrix.smooth_noise,
    )
