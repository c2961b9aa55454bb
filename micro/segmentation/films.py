"""Films of carbide, measured as such where the user says that thin lines are films."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.outlines import crofton_perimeter
from micro.geometry.regions import connected, nearest_label
from micro.geometry.runs import find_runs, sums
from micro.issues import bit
from micro.segmentation.segmentation import Films, Segmentation
from micro.segmentation.sides import filled
from micro.segmentation.texture import LINE_ELONGATION, line_like, line_spread
from micro.statistics.sampling import NORMAL_95

Mask = NDArray[np.bool_]
# Of the width of the films: what holds so large a circle is a carbide that sits on them. Where three films of one width
# meet at 120° there is room for a circle of 1.15 widths, where two cross for one of 1.41 (plane geometry).
BODY = 1.8
ARM_ELONGATION = 2.0  # P²/4πA of a strip 4.4 times as long as wide: shorter arms are a carbide's own (chosen)
SMALLEST_PX = 6  # less is no carbide on a film, but of the film
THINNEST_PX = 3.0  # what blur leaves of a thinner film is as wide
END_PX = 4.0  # where a film ends that runs into a carbide: so far either way (invented fields of films 2 to 5 px)
NECK_PX = 1.5  # half of what an opening of whole pixels rounds off (invented fields, as END_PX)
NARROW = 1.5  # of the width of a strip, 2A/P: a shorter piece of film has less, a disc as wide as two films as much
STEPS = 40
# Relative standard uncertainties, chosen: of the spread across films, by what other outlines' light adds; of the level
# of the carbides for films, and of that of films by themselves.
SPREAD_ERROR, LEVEL_ERROR, OWN_LEVEL_ERROR = 0.04, 0.03, 0.5


def films_apart(s: Segmentation) -> Segmentation:
    """Take the films out of a field; carbides that sit on them are numbered anew, behind the others.

    The films' place stays in the analysed area, as matrix.

    Returns
    -------
    With `films`; their area is their light over the level of their class, as of carbides.
    """
    film = _film(s)
    touched = np.zeros(s.count + 1, bool)
    touched[s.labels[film]] = True
    touched[0] = False
    left = ~touched[1:]
    number = np.append(0, np.where(left, np.cumsum(left), 0)).astype(np.int32)
    count, own = _of_at_least(touched[s.labels] & ~film, SMALLEST_PX)
    film |= touched[s.labels] & (own == 0)
    parent = np.zeros(count, np.intp)
    parent[own[own > 0] - 1] = s.labels[own > 0] - 1
    around = touched[s.basins]
    of_film = around & _nearer(film, own > 0)
    to_carbide = around & ~of_film
    basins = number[s.basins]
    basins[to_carbide] = nearest_label(own)[to_carbide] + left.sum()
    share = np.zeros_like(s.contrast)
    if s.count:
        level = s.class_contrast.astype(np.float32)
        share[of_film] = s.contrast[of_film] / level.take(s.basins[of_film] - 1)
    found = replace(
        s,
        labels=np.where(own > 0, own + np.int32(left.sum()), number[s.labels]),
        basins=basins,
        contrast=filled(s, of_film),
        class_index=np.concatenate([s.class_index[left], s.class_index[parent]]),
        flags=np.concatenate([s.flags[left], s.flags[parent] | np.uint32(bit("on_film"))]),
    )
    return replace(found, films=_measured(found, Films(film, share)))


def _film(s: Segmentation) -> Mask:
    """(rows, columns) True in what is long and narrow once all is taken off that holds a larger circle."""
    lines = np.append(False, line_like(s))[s.labels]
    if not lines.any():
        return lines
    inside = s.labels > 0
    depth = cv2.distanceTransform(inside.view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    ridge = lines & (depth >= cv2.dilate(depth, np.ones((3, 3), np.uint8)))
    width = max(2 * float(depth[ridge].mean()) - 0.5, THINNEST_PX)  # 2 and 3 px wide: 1 and 2 to the nearest outside
    radius = BODY / 2 * width
    core = depth - 0.5 > radius
    body = inside & _within(core, radius + 1)
    count, piece = connected((inside & ~body).view(np.uint8))
    runs = find_runs(piece, count)
    perimeter, area = crofton_perimeter(runs), np.maximum(sums(runs.length, runs), 1)
    arm = np.zeros(count + 1, bool)
    arm[piece[_within(body, 1.5)]] = True
    long = perimeter**2 / (4 * np.pi * area) > np.where(arm[1:], ARM_ELONGATION, LINE_ELONGATION)
    # What was put back about each circle is film where one begins.
    return inside & _within(np.append(False, long)[piece], NECK_PX)


def _within(mask: Mask, reach: float) -> Mask:
    """(rows, columns) True on a mask and up to `reach` px from it."""
    if not mask.any():
        return mask
    return np.asarray(cv2.distanceTransform((~mask).view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5) <= reach)


def _of_at_least(mask: Mask, pixels: int) -> tuple[int, NDArray[np.int32]]:
    """Return the number and (rows, columns) labels of the regions of a mask that have so many pixels."""
    count, labels = connected(mask.view(np.uint8))
    enough = np.bincount(labels.ravel(), minlength=count + 1) >= pixels
    enough[0] = False
    return int(enough.sum()), np.where(enough, np.cumsum(enough), 0).astype(np.int32)[labels]


def _nearer(these: Mask, those: Mask) -> Mask:
    """(rows, columns) True where `these` pixels are nearer than `those`."""
    if not these.any() or not those.any():
        return np.full(these.shape, bool(these.any()))
    away = [cv2.distanceTransform((~m).view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5) for m in (these, those)]
    return np.asarray(away[0] <= away[1])


def _measured(s: Segmentation, films: Films) -> Films:
    """Films with the area that their light and the profile across them tell together, and how far it may be off.

    Light over the level of the carbides is the area if films have their grey; where films are most of what there is
    that level is their own, and blur lowers it. The profile across tells the width whatever the level, as
    (∫h)²/∫h² per length, but for films much thinner than the blur. The two are weighted by how well each is known.
    Where a film runs into a carbide nobody can say where it ends.
    """
    area, length = films.area_px, films.length_px
    if area <= 0 or length <= 0:
        return films
    where = films.share != 0
    level = float(np.mean(np.abs([c.contrast for c in s.classes])))
    squares = float(np.square(films.share, dtype=float).sum()) - (s.noise / level) ** 2 * int(where.sum())
    spread = area**2 / max(squares, 1e-9) / length
    widths = np.linspace(0.05, max(4 * area / length, 8.0), STEPS)
    spreads = [line_spread(w, s.blur_px or 1.0) for w in widths]
    low, by_shape, high = np.interp(np.multiply(spread, (1 - SPREAD_ERROR, 1, 1 + SPREAD_ERROR)), spreads, widths)
    by_light = area / length
    own = area / (area + float(s.contrast_area_px.sum()))
    unsure = np.array([LEVEL_ERROR + own**2 * OWN_LEVEL_ERROR, (high - low) / 2 / by_light])
    weight = 1 / np.square(np.maximum(unsure, 1e-3))
    width = float(weight @ [by_light, by_shape] / weight.sum())
    shared = END_PX * np.count_nonzero(films.where & _within(s.labels > 0, 1.5)) / area
    doubt = np.linalg.norm([NORMAL_95 / np.sqrt(weight.sum()), abs(by_shape - by_light) / 2 / by_light, shared])
    narrow = 2 * s.outline_px < NARROW * max(width, THINNEST_PX) * s.perimeters[0]
    return replace(
        films,
        share=films.share * np.float32(width / by_light),
        doubt=float(doubt * by_light / width),
        more_px=float(s.contrast_area_px[narrow].sum()),
    )
