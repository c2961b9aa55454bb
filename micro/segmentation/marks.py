"""What is not carbide: burnt-in scale bars, scratches, pits, dust, stains."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import Pixels, connected
from micro.segmentation.candidates import FAINTEST, NEIGHBOURHOOD_PX, SIGNIFICANT, standing_out, upward
from micro.segmentation.matrix import STEP

SHORTEST_BAR_PX = 20
BAR_ASPECT = 3.0
BAR_FILL = 0.97
SHARP = 0.2
CAPTION_PX = 40
MARGIN_PX = 3
SMALLEST_MARK_PX = 8
HUGGING_PX = 3
HUGGING = 0.5
MOST = 0.15
LEAST_DEPTH = 0.1
WIDEST_SCRATCH_PX = 9
SHORTEST_PIECE_PX = 20
CROSSING, SHORTEST_SCRATCH_PX = 0.5, 200
LONGEST_GAP_PX = 40
# Chosen: what is smaller than 20 × 20 px, or smaller than 2 % of the frame and ragged, is a pit.
DUST_PX, DUST_SHARE, COMPACT = 400, 0.02, 0.6
# Mean distance from the border, px: of strips a quarter of their width, so that these are 16 px wide; of a square of
# 24 px 4. Carbides stand on thinner boundaries and streaks, which hide none: chosen.
THIN_PX = 4.0
UNBROKEN = 0.9
# A kind of carbide has one grey: of its highest greys the tenth percentile is above that share of the ninetieth (0.9 of
# a kind of 5 % in a field of a sixth generator, 0.4 to 0.6 of pits), and some of it lies beside no other carbide, as
# shadows do: of 0.7 there, of 0 to 0.05 of dark tails (292 other fields of two generators that have marks).
FEWEST_ALIKE, EVEN, CLEAR = 15, 0.75, 0.3
TENTHS = 2.56  # standard deviations between the tenth and the ninetieth percentile of a normal distribution


def burnt_in(grey: NDArray[np.float32], grey_max: float) -> NDArray[np.bool_]:
    """(rows, columns) True on a scale bar drawn into the picture, its caption, and a margin.

    A drawn bar is a rectangle of one grey level, full scale or 0, and its edges know no blur. Its caption is what
    has exactly that level close by.
    """
    excluded = np.zeros(grey.shape, bool)
    for level in (grey_max, 0.0):
        mask = (grey == level).view(np.uint8)
        if cv2.countNonZero(mask) < SHORTEST_BAR_PX:
            continue
        for x, y, width, height in _bars(grey, mask, level):
            reach = CAPTION_PX + 2 * height
            rows = slice(max(0, y - reach), y + height + reach)
            columns = slice(max(0, x - reach), x + width + reach)
            excluded[rows, columns] |= mask[rows, columns] > 0
    return _widened(excluded, MARGIN_PX)


def _bars(grey: NDArray[np.float32], mask: NDArray[np.uint8], level: float) -> list[tuple[int, int, int, int]]:
    """Left, top, width and height of each bar of one grey level, where the `mask` is 1."""
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    width, height, area = (stats[1:, k] for k in (cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT, cv2.CC_STAT_AREA))
    longer, shorter = np.maximum(width, height), np.minimum(width, height)
    rectangle = (longer >= SHORTEST_BAR_PX) & (longer >= BAR_ASPECT * shorter) & (area >= BAR_FILL * width * height)
    likely = stats[1:][rectangle & (shorter >= 2)][:, :4].tolist()
    contrast = abs(level - float(np.median(grey))) if likely else 0.0
    bars = []
    for x, y, w, h in likely:
        rows, columns = slice(max(0, y - 1), y + h + 1), slice(max(0, x - 1), x + w + 1)
        rim = mask[rows, columns] == 0
        apart = np.abs(grey[rows, columns][rim] - level)
        if not rim.any() or np.median(apart) > (1 - SHARP) * contrast:
            bars.append((x, y, w, h))
    return bars


def _widened(mask: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    if not mask.any():
        return mask
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return cv2.dilate(mask.astype(np.uint8), disc) > 0


@dataclass(frozen=True, eq=False)
class Marks:
    """(rows, columns) True where scratches, pits, dust or stains lie, and what share of the frame they would take.

    Above MOST they are no marks but part of the structure: then nothing is left out. `area_px`: area of one even
    grey that holds as much light, and as much of its square: what they would be as a class of carbide. `alike`: whether
    they look like one.
    """

    where: NDArray[np.bool_]
    share: float
    area_px: float = 0.0
    alike: bool = False


def other_polarity(
    smooth: NDArray[np.float32],
    labels: NDArray[np.int32],
    class_contrast: list[float],
    noise: NDArray[np.float32],
    blur: float,
) -> Marks:
    """Find marks of the polarity that carbides do not have.

    A rim that follows a carbide (halo, edge relief) is none, nor is a tenth of the carbides' contrast: the matrix
    level of a crowded field errs by some percent of it.
    """
    where, area, alike = np.zeros(smooth.shape, bool), 0.0, False
    least = LEAST_DEPTH * max(map(abs, class_contrast), default=0.0)
    for sign in {1, -1} - {int(np.sign(c)) for c in class_contrast}:
        if sign * float(smooth.min() if sign < 0 else smooth.max()) <= least:
            continue
        lowest = np.float32(max(SIGNIFICANT * float(noise.min()), least))
        high = np.flatnonzero(smooth > lowest if sign > 0 else smooth < -lowest)
        if not (sign * smooth.ravel().take(high) > SIGNIFICANT * noise.ravel().take(high)).any():
            continue
        height = upward(smooth, sign)
        n, regions = connected((height > FAINTEST * noise).view(np.uint8))
        pixels = Pixels.of(regions, n)
        mark = pixels.any(pixels.values(height) > np.maximum(SIGNIFICANT * pixels.values(noise), least))
        mark &= pixels.size() >= SMALLEST_MARK_PX
        if not mark.any():
            continue
        away = cv2.distanceTransform((labels == 0).view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_3)
        hugging = pixels.take(pixels.values(away) <= HUGGING_PX + blur).size()
        mark &= hugging < HUGGING * pixels.size()
        kept = pixels.chosen(mark)
        where.ravel()[kept.at] = True
        light = kept.values(height).astype(float)
        area += light.sum() ** 2 / max(float(light @ light), 1e-9)
        alike |= _alike(kept, height, away > HUGGING_PX + 2 * blur, float(np.median(noise[::STEP, ::STEP])))
    if not where.any():
        return Marks(where, 0.0)
    where = _widened(where, MARGIN_PX - 1) & (labels == 0)
    share = float(where.mean())
    return Marks(where if share <= MOST else np.zeros_like(where), share, area, alike)


def _alike(marks: Pixels, height: NDArray[np.float32], clear: NDArray[np.bool_], noise: float) -> bool:
    """Whether marks have one grey but for noise, and some of them lie wholly `clear` of carbides (rows, columns)."""
    if marks.count < FEWEST_ALIKE or np.mean(~marks.any(~marks.values(clear))) < CLEAR:
        return False
    highest = np.zeros(marks.count, np.float32)
    np.maximum.at(highest, marks.region, marks.values(height))
    low, high = np.quantile(highest, [0.1, 0.9])
    return bool(low + TENTHS * noise > EVEN * high)


def covering(marks: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(rows, columns) True on the marks that hide what is below: dust and stains, large, compact and wide.

    Pits and lines are part of the matrix; they stay in the area that is analysed, as carbides that stand on them do.
    """
    if not marks.any():
        return marks
    _, number, stats, _ = cv2.connectedComponentsWithStats(marks.view(np.uint8))
    size = stats[:, cv2.CC_STAT_AREA]
    filled = size / (stats[:, cv2.CC_STAT_WIDTH] * stats[:, cv2.CC_STAT_HEIGHT])
    inside = cv2.distanceTransform(marks.view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    wide = np.bincount(number.ravel(), inside.ravel(), len(size)) >= THIN_PX * size
    hides = (size >= DUST_PX) & ((size >= DUST_SHARE * marks.size) | (filled >= COMPACT)) & wide
    hides[0] = False
    return hides.take(number)


def scratches(smooth: NDArray[np.float32], noise: NDArray[np.float32]) -> NDArray[np.bool_]:
    """(rows, columns) True on scratches, brighter or darker than the matrix.

    A scratch is thin, straight, longer than half of the field's shorter side, and, but for the carbides it crosses,
    unbroken: rows of elongated carbides have gaps. Carbides wider than WIDEST_SCRATCH_PX stay, whole.
    """
    where = np.zeros(smooth.shape, np.uint8)
    lines = _straight_lines(smooth, noise)
    if not len(lines):
        return where > 0
    mask, wide = _standing_out_and_wide(smooth, noise, 1)
    near_wide = cv2.dilate(wide, np.ones((11, 11), np.uint8)) > 0
    covered = cv2.dilate(mask, np.ones((3, 3), np.uint8)) > 0
    for x0, y0, x1, y1 in lines.tolist():
        steps = int(np.hypot(x1 - x0, y1 - y0)) + 1
        at = np.rint(np.linspace(y0, y1, steps)).astype(int), np.rint(np.linspace(x0, x1, steps)).astype(int)
        bare = ~near_wide[at]
        if bare.sum() > steps / 4 and covered[at][bare].mean() > UNBROKEN:
            cv2.line(where, (x0, y0), (x1, y1), 1, WIDEST_SCRATCH_PX)
    return _widened((where & mask) > 0, MARGIN_PX - 1) & (wide == 0)


def _straight_lines(smooth: NDArray[np.float32], noise: NDArray[np.float32]) -> NDArray[np.intp]:
    """(lines, 4) x and y of both ends of what may be a scratch.

    Every second pixel of every second row is looked at, as the smoothed picture holds nothing finer.
    """
    mask, wide = _standing_out_and_wide(smooth[::STEP, ::STEP], noise[::STEP, ::STEP], STEP)
    pieces = _elongated(mask & (1 - wide))
    shortest = max(CROSSING * min(smooth.shape), SHORTEST_SCRATCH_PX) / STEP
    if cv2.countNonZero(pieces) < max(shortest / 3, 1):
        return np.empty((0, 4), np.intp)
    found = cv2.HoughLinesP(
        pieces, 1, np.pi / 720, int(shortest / 3), minLineLength=shortest, maxLineGap=LONGEST_GAP_PX / STEP
    )
    return np.empty((0, 4), np.intp) if found is None else STEP * found.reshape(-1, 4).astype(np.intp)


def _standing_out_and_wide(
    smooth: NDArray[np.float32], noise: NDArray[np.float32], step: int
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """0/1 masks of what stands out, and of what of it is too wide for a scratch; pixels are `step` px apart."""
    height = np.abs(smooth)
    mask = standing_out(height, noise, close_by_px=NEIGHBOURHOOD_PX // step | 1)
    widest = WIDEST_SCRATCH_PX // step | 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (widest, widest))
    return mask, cv2.dilate(cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc), np.ones((3, 3), np.uint8))


def _elongated(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """0/1 mask of what is left of it in pieces long and thin enough for a scratch."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    length = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    thin = stats[:, cv2.CC_STAT_AREA] < WIDEST_SCRATCH_PX / STEP * length
    keep = (length >= SHORTEST_PIECE_PX / STEP) & thin
    keep[0] = False
    return keep.take(labels).view(np.uint8)
