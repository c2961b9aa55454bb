"""A second, plain generator of etched fields, so that the program is not held only to its own drawing.

Shares no code with `micro.phantom`: polygons with rounded corners drawn four times finer, blurred and measured across
by OpenCV, texture from oriented noise. Truth: the share of the fine grid inside the polygons.
"""

from __future__ import annotations

import functools

import cv2
import numpy as np
from scipy import ndimage

FINE = 4
KEPT = 8
"""Drawings of each kind that are kept: those of one file of tests that differ in what is laid over them."""


def once(draw):
    """Draw once what is asked for again from the same state of the generator, which is left as by drawing."""
    kept = {}

    @functools.wraps(draw)
    def drawn(shape, *given, rng, **words):
        key = repr((shape, given, words, rng.bit_generator.state))
        if key not in kept:
            kept[key] = draw(shape, *given, rng=rng, **words), rng.bit_generator.state
            if len(kept) > KEPT:
                del kept[next(iter(kept))]
        found, rng.bit_generator.state = kept[key]
        return found

    return drawn


def blurred(picture, across, along=None):
    """Gaussian blur (rows, columns) float32 of so many pixels across the rows and along them, cut at four of them."""
    along = across if along is None else along
    size = 2 * round(4 * along) + 1, 2 * round(4 * across) + 1
    return cv2.GaussianBlur(np.asarray(picture, np.float32), size, along, None, across, cv2.BORDER_REFLECT)


def to_outside(inside):
    """(rows, columns) float32 exact distance of each pixel inside to the nearest that is not."""
    return cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)


def blobs(shape, fraction, diameter, rng, touching=False, spread=0.3):
    """(rows·FINE, columns·FINE) int32 numbers of rounded, lobed polygons covering that fraction."""
    rows, columns = shape[0] * FINE, shape[1] * FINE
    labels = np.zeros((rows, columns), np.int32)
    number, covered, cx, cy = 0, 0, 0.0, 0.0
    for _ in range(20000):
        if covered >= fraction * rows * columns:
            break
        d = diameter * FINE * np.exp(rng.normal(0, spread))
        t = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        r = d / 2 * (1 + 0.1 * rng.normal() * np.cos(2 * t + rng.uniform(0, 6.3)) + 0.06 * rng.normal() * np.cos(3 * t))
        stretch, turn = np.exp(rng.uniform(0, 0.35)), rng.uniform(0, np.pi)
        x, y = r * np.cos(t) * np.sqrt(stretch), r * np.sin(t) / np.sqrt(stretch)
        x, y = x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)
        for k in range(3 if touching else 1):
            cx, cy = (
                (rng.uniform(0, columns), rng.uniform(0, rows))
                if k == 0
                else (cx + 0.97 * d * np.cos(turn), cy + 0.97 * d * np.sin(turn))
            )
            poly = np.rint(np.stack([x + cx, y + cy], axis=1)).astype(np.int32)
            low = np.maximum(poly.min(axis=0) - 2 * FINE, 0)
            high = np.minimum(poly.max(axis=0) + 2 * FINE, (columns, rows))
            if (high <= low).any():
                continue
            part = (slice(low[1], high[1]), slice(low[0], high[0]))
            one = np.zeros(labels[part].shape, np.uint8)
            cv2.fillPoly(one, [(poly - low).astype(np.int32)], 1)
            near = cv2.dilate(one, np.ones((4 * FINE + 1,) * 2, np.uint8)) if k == 0 else one
            if k == 0 and (labels[part][near > 0] > 0).any():
                break
            number += 1
            fresh = (one > 0) & (labels[part] == 0)
            labels[part][fresh] = number
            covered += int(fresh.sum())
    return labels


def picture(
    shape=(384, 512), *, seed=0, fraction=0.08, diameter=10.0, touching=False, contrast=100.0, matrix=80.0, noise=4.0,
    blur=1.0, rim=0.0, rim_px=1.0, dome_px=0.0, spread=0.0, lath=0.0, blocks=0.0, boundary=0.0, boundary_px=1.5,
    relief=0.0, pits=0.0, holes=0.0, film_px=0.0, gamma=1.0, sharpening=0.0, median_px=0, jpeg=0, gain=1.0,
    second=0.0, shading=0.1, mosaic=False,
):  # fmt: skip
    """Grey picture (rows, columns) float32 and the true area fraction; strengths in shares of the contrast."""
    rng = np.random.default_rng([seed, 77])
    labels = blobs(shape, fraction, diameter, rng, touching)
    solid = labels > 0
    fine = solid.shape
    surface = np.zeros(fine, np.float32)
    if lath or blocks or boundary or film_px:
        cells, edge = _cells(fine, 70 * FINE, rng=rng)
    if blocks:
        surface += blocks * rng.normal(size=cells.max() + 1).astype(np.float32)[cells]
    if lath:
        surface += lath * _laths(fine, rng=rng)
    if boundary:
        line = edge < boundary_px / 2 * FINE
        surface[line] = boundary
    if pits:
        grain = blurred(rng.standard_normal(fine), 1.5 * FINE)
        surface[grain > np.quantile(grain, 1 - pits)] = -0.7
    own = np.ones(labels.max() + 1, np.float32)
    own[1:] += spread * rng.normal(size=labels.max()).astype(np.float32)
    if second:
        own[1:][rng.random(labels.max()) < 0.4] = second
    inside = own[labels]
    if dome_px:
        depth = to_outside(solid) / FINE
        inside = inside * (1 - 0.5 * np.exp(-((1.2 * depth / dome_px) ** 2)))
    if holes:
        grain = blurred(rng.standard_normal(fine), 0.8 * FINE)
        inside = np.where(grain > np.quantile(grain, 1 - holes), 0.1 * inside, inside)
    surface = np.where(solid, inside, surface)
    truth = float(solid.mean())
    if film_px:
        film = (edge < film_px / 2 * FINE) & ~solid
        surface[film] = 1
        truth += float(film.mean())
    if rim:
        away = to_outside(~solid) / FINE
        surface += rim * ((away > 0) & (away <= rim_px))
    if relief:
        raised = blurred(solid, 1.5 * FINE)
        surface += relief * 2.5 * 1.5 * FINE * ndimage.sobel(raised, 1) / 8
    soft = blurred(surface, blur * FINE)
    grey = matrix + contrast * soft.reshape(shape[0], FINE, shape[1], FINE).mean(axis=(1, 3))
    grey = grey * (1 - shading * np.linspace(0, 1, shape[1]) ** 2)[None, :] + rng.normal(0, noise, shape)
    grey = np.clip(gain * grey, 0, 255)
    if mosaic:
        odd = np.indices(shape).sum(axis=0) % 2 > 0
        grey = np.where(odd, ndimage.convolve(grey, np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]]) / 4), grey)
    grey = 255 * (grey / 255) ** gamma
    if sharpening:
        grey = grey + sharpening * (grey - ndimage.gaussian_filter(grey, 1.5))
    grey = np.clip(np.rint(grey), 0, 255)
    if median_px:
        grey = ndimage.median_filter(grey, median_px)
    if jpeg:
        grey = cv2.imdecode(cv2.imencode(".jpg", grey.astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, jpeg])[1], 0)
    return np.asarray(grey, np.float32), truth


@once
def _cells(fine, size, *, rng):
    count = int(fine[0] * fine[1] / size**2) + 4
    y, x = rng.uniform(0, fine[0], count), rng.uniform(0, fine[1], count)
    seeds = np.ones(fine, bool)
    seeds[y.astype(int), x.astype(int)] = False
    _, near = ndimage.distance_transform_edt(seeds, return_indices=True)
    cells = (np.cumsum(~seeds).reshape(fine) - 1)[near[0], near[1]]
    numbers, around = cells.astype(np.float32), np.ones((3, 3), np.uint8)
    inner = cv2.dilate(numbers, around) == cv2.erode(numbers, around)
    return cells, to_outside(inner)


def _turned(picture, angle, shape):
    """Turn a picture about its middle; only so many rows and columns of the result."""
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    middle = (np.array(picture.shape) - 1) / 2
    return ndimage.affine_transform(picture, turn, middle - turn @ middle, shape, order=1, mode="wrap")


@once
def _laths(fine, kinds=6, *, rng):
    """Noise stretched along one of six directions in each of many cells, unit standard deviation."""
    cells, _ = _cells(fine, 45 * FINE, rng=rng)
    out = np.zeros(fine, np.float32)
    pick = rng.integers(0, kinds, cells.max() + 1)[cells]
    for k in range(kinds):
        base = blurred(rng.standard_normal(fine), 1.0 * FINE, 12 * FINE)
        part = _turned(np.tile(base, (2, 2)), np.pi * k / kinds, fine)
        out = np.where(pick == k, part / part.std(), out)
    return out
