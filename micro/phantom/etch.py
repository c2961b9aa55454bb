"""Fields as etch, lens and camera make them: texture, boundaries, rims, domes, grey spread, relief, pits, films.

Everything is drawn on a grid FINE times finer than the pixels, blurred there by the lens, and then averaged over the
pixels; the truth is the area of the drawn outlines. Strengths are shares of the contrast of the first class, so that
they mean the same for bright and for dark carbides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.phantom.picture import Truth, expose, particle_table
from micro.phantom.scenes import Scene, arrange
from micro.phantom.shapes import Shapes, cover

Grey = NDArray[np.float32]
FINE = 3
"""Grid points a pixel and direction: a rim of 1 px is three points wide."""


@dataclass(frozen=True)
class Etch:
    """What the etch does to a surface; strengths as shares of the contrast, widths in px, 0: none of it.

    Parameters
    ----------
    lath, lath_px, packet_px
        Standard deviation of laths that many px wide, one direction in each packet of that mean size.
    blocks
        Standard deviation of the grey from packet to packet.
    boundary, boundary_px, grain_px
        Lines between grains: contrast, on the carbides' side of the matrix where positive, width, mean grain size.
    rim, rim_px
        Matrix just outside the carbides: contrast, on their side where positive, and width.
    inner_rim, inner_rim_px
        The same just inside them.
    dome_px
        The contrast rises from half at the edge to all of it over that distance inwards.
    grey_spread
        Standard deviation of the grey level from carbide to carbide.
    relief, relief_px
        Light from one side: edges towards it brighter, the far ones darker.
    pits, pit_px
        Area fraction of pits in the matrix, of the other polarity, and their mean diameter.
    holes
        Share of each carbide's area that pits and cracks in it take; they count as carbide.
    film, film_px
        Whether films of carbide lie between the grains, and their width; they count as carbide.
    """

    lath: float = 0.0
    lath_px: float = 3.0
    packet_px: float = 60.0
    blocks: float = 0.0
    boundary: float = 0.0
    boundary_px: float = 1.5
    grain_px: float = 80.0
    rim: float = 0.0
    rim_px: float = 1.0
    inner_rim: float = 0.0
    inner_rim_px: float = 1.0
    dome_px: float = 0.0
    grey_spread: float = 0.0
    relief: float = 0.0
    relief_px: float = 1.5
    pits: float = 0.0
    pit_px: float = 4.0
    holes: float = 0.0
    film: bool = False
    film_px: float = 3.0


@dataclass(frozen=True)
class Camera:
    """Steps of a camera, in this order; the defaults leave the picture as it is.

    Parameters
    ----------
    gain
        Exposure; above 1 it drives bright parts to full scale.
    mosaic
        Whether every second pixel is interpolated from its four neighbours, as the green of a colour sensor is.
    gamma
        Tone curve grey_max·(grey/grey_max)^gamma.
    sharpening, sharpening_px
        Unsharp mask: strength, and standard deviation of its blur.
    median_px
        Side of a median filter; 0: none.
    jpeg
        Quality, 1 to 100; 0: not compressed.
    """

    gain: float = 1.0
    mosaic: bool = False
    gamma: float = 1.0
    sharpening: float = 0.0
    sharpening_px: float = 1.5
    median_px: int = 0
    jpeg: int = 0


def etched_field(
    scene: Scene, shape: tuple[int, int], etch: Etch, camera: Camera, rng: np.random.Generator
) -> tuple[Grey, Truth]:
    """Grey picture (rows, columns) float32 of whole levels, and its truth; damage of the scene is not drawn."""
    return photographed(arrange(scene, shape, rng), scene, shape, (etch, camera), rng)


def photographed(
    outlines: Shapes, scene: Scene, shape: tuple[int, int], by: tuple[Etch, Camera], rng: np.random.Generator
) -> tuple[Grey, Truth]:
    """Grey picture of given outlines (px) under an etch and a camera, and its truth."""
    etch, camera = by
    fine = (shape[0] * FINE, shape[1] * FINE)
    scaled = replace(
        outlines,
        x=outlines.x * FINE,
        y=outlines.y * FINE,
        semi_major=outlines.semi_major * FINE,
        semi_minor=outlines.semi_minor * FINE,
    )
    drawn = cover(scaled, fine, len(scene.class_names))
    share, kind = drawn.by_class.sum(axis=0), drawn.labels
    edges = _cells(fine, etch.grain_px * FINE, rng)[1] if etch.boundary or etch.film else None
    film = _line(edges, etch.film_px * FINE) * (1 - share) if etch.film and edges is not None else None
    contrast = np.float32(scene.optics.class_greys[0] - scene.optics.matrix_grey)
    levels = np.asarray(scene.optics.class_greys, np.float32) - np.float32(scene.optics.matrix_grey)
    surface = _matrix(fine, etch, edges, rng) * contrast
    surface *= 1 - share
    surface += np.tensordot(levels, drawn.by_class, axes=1) * _inside(kind, share, etch, rng)
    if film is not None:
        surface = surface * (1 - film) + contrast * film
    surface += contrast * _rims(share, etch, rng)
    surface += np.float32(scene.optics.matrix_grey)
    spread = scene.optics.blur_px * FINE
    through = cv2.GaussianBlur(surface, (0, 0), spread) if spread else surface
    picture = cv2.resize(through, shape[::-1], interpolation=cv2.INTER_AREA)
    grey = developed(expose(picture, replace(scene.optics, blur_px=0.0), rng), camera, scene.optics.grey_max)
    coverage = cover(outlines, shape, len(scene.class_names))
    fraction = drawn.area_fraction
    if film is not None:
        fraction[0] += float(film.mean(dtype=float))
    table = particle_table(outlines, coverage, scene.class_names, scene.rolling_deg)
    return grey, Truth(fraction, table, coverage)


def _matrix(shape: tuple[int, int], etch: Etch, edges: Grey | None, rng: np.random.Generator) -> Grey:
    """Matrix (rows, columns) in shares of the contrast: laths, blocks, boundaries, pits."""
    surface = np.zeros(shape, np.float32)
    if etch.lath or etch.blocks:
        packet, _ = _cells(shape, etch.packet_px * FINE, rng)
        if etch.blocks:
            surface += np.float32(etch.blocks) * rng.standard_normal(packet.max() + 1).astype(np.float32)[packet]
        if etch.lath:
            surface += np.float32(etch.lath) * laths(packet, etch.lath_px * FINE, rng)
    if etch.boundary and edges is not None:
        line = _line(edges, etch.boundary_px * FINE)
        surface = surface * (1 - line) + np.float32(etch.boundary) * line
    if etch.pits:
        hole = _spots(shape, etch.pits, etch.pit_px * FINE, rng)
        surface = surface * (1 - hole) - np.float32(0.7) * hole  # a pit is dark, not black
    return surface


def _cells(shape: tuple[int, int], size: float, rng: np.random.Generator) -> tuple[NDArray[np.intp], Grey]:
    """Packets or grains: cells about random points, `size` the root of their mean area.

    (rows, columns) number of the cell, and distance to the next boundary, that is half the difference of two distances.
    """
    from scipy.spatial import KDTree

    count = max(2, round((shape[0] + 2 * size) * (shape[1] + 2 * size) / size**2))
    points = rng.uniform((-size, -size), (shape[0] + size, shape[1] + size), (count, 2))
    every = 2  # of the fine grid; half a grid point errs less than the lens blurs
    y, x = np.meshgrid(np.arange(0, shape[0], every), np.arange(0, shape[1], every), indexing="ij")
    found = KDTree(points).query(np.stack([y, x], axis=-1), k=2)
    distance, index = np.asarray(found[0]), np.asarray(found[1])
    first, second = points[index[..., 0]], points[index[..., 1]]
    apart = np.linalg.norm(first - second, axis=-1)
    edge = ((distance[..., 1] ** 2 - distance[..., 0] ** 2) / (2 * np.maximum(apart, 1e-6))).astype(np.float32)
    whole = cv2.resize(edge, shape[::-1], interpolation=cv2.INTER_LINEAR)
    number = cv2.resize(index[..., 0].astype(np.int32), shape[::-1], interpolation=cv2.INTER_NEAREST)
    return number.astype(np.intp), whole


def laths(packet: NDArray[np.intp], width: float, rng: np.random.Generator) -> Grey:
    """(rows, columns) laths of unit standard deviation: bands of random grey along the direction of each packet."""
    turn = rng.uniform(0, np.pi, packet.max() + 1)
    y, x = np.indices(packet.shape, np.float32)
    across = (x * np.sin(turn)[packet] + y * np.cos(turn)[packet]).astype(np.float32)
    bend = cv2.GaussianBlur(rng.standard_normal(packet.shape).astype(np.float32), (0, 0), 4 * width)
    across += 1.5 * width * bend / bend.std()
    grey = cv2.GaussianBlur(rng.standard_normal((1, 8192)).astype(np.float32), (0, 0), 0.5)[0]
    grey = (grey - grey.mean()) / grey.std()
    place = across / width + rng.integers(0, 8192, packet.max() + 1)[packet]
    return np.interp(place % 8192, np.arange(8192), grey, period=8192).astype(np.float32)


def _line(edges: Grey, width: float) -> Grey:
    """Share of each grid point that a line of that width covers."""
    return np.clip(width / 2 - edges + np.float32(0.5), 0, 1)


def _spots(shape: tuple[int, int], fraction: float, diameter: float, rng: np.random.Generator) -> Grey:
    """(rows, columns) 0/1 ragged spots of that area fraction: what lies above a level of smoothed noise."""
    grain = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), diameter / 2.5)
    return (grain > np.quantile(grain, 1 - fraction)).astype(np.float32)


def _inside(labels: NDArray[np.int32], share: Grey, etch: Etch, rng: np.random.Generator) -> Grey:
    """(rows, columns) factor on the contrast of the carbides: spread, dome, holes."""
    factor = np.ones(labels.shape, np.float32)
    if etch.grey_spread:
        own = np.append(0, rng.normal(0, etch.grey_spread, labels.max())).astype(np.float32)
        factor += own[labels]
    if etch.dome_px:
        depth = cv2.distanceTransform((share > 0.5).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
        factor *= np.float32(0.5) + np.float32(0.5) * np.minimum(depth / np.float32(etch.dome_px * FINE), 1)
    if etch.holes:
        factor *= 1 - np.float32(0.9) * _spots(labels.shape, etch.holes, 2.0 * FINE, rng)
    return factor


def _rims(share: Grey, etch: Etch, rng: np.random.Generator) -> Grey:
    """(rows, columns) light added along the edges, in shares of the contrast: rims and one-sided relief."""
    added = np.zeros(share.shape, np.float32)
    solid = (share > 0.5).astype(np.uint8)
    if etch.rim:
        away = cv2.distanceTransform(1 - solid, cv2.DIST_L2, cv2.DIST_MASK_5)
        added += np.float32(etch.rim) * ((away > 0) & (away < etch.rim_px * FINE + 0.5))
    if etch.inner_rim:
        depth = cv2.distanceTransform(solid, cv2.DIST_L2, cv2.DIST_MASK_5)
        added += np.float32(etch.inner_rim) * ((depth > 0) & (depth < etch.inner_rim_px * FINE + 0.5))
    if etch.relief:
        raised = cv2.GaussianBlur(share, (0, 0), etch.relief_px * FINE)
        down, right = np.gradient(raised)
        towards = rng.uniform(0, 2 * np.pi)
        slope = (right * np.cos(towards) - down * np.sin(towards)).astype(np.float32)
        added += np.float32(etch.relief * np.sqrt(2 * np.pi) * etch.relief_px * FINE) * slope
    return added


def developed(grey: Grey, camera: Camera, grey_max: float = 255.0) -> Grey:
    """Grey picture (rows, columns) float32 of whole levels, 0 to `grey_max`."""
    picture = np.clip(grey * np.float32(camera.gain), 0, np.float32(grey_max))
    if camera.mosaic:
        picture = _demosaiced(picture)
    if camera.gamma != 1:
        picture = np.float32(grey_max) * (picture / np.float32(grey_max)) ** np.float32(camera.gamma)
    if camera.sharpening:
        soft = cv2.GaussianBlur(picture, (0, 0), camera.sharpening_px)
        picture = picture + np.float32(camera.sharpening) * (picture - soft)
    picture = np.clip(np.rint(picture), 0, grey_max).astype(np.float32)
    if camera.median_px:
        picture = cv2.medianBlur((255 / grey_max * picture).astype(np.uint8), camera.median_px).astype(np.float32)
        picture *= np.float32(grey_max / 255)
    return _compressed(picture, camera.jpeg, grey_max) if camera.jpeg else picture


def _demosaiced(picture: Grey) -> Grey:
    cross = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], np.float32) / 4
    rows, columns = picture.shape
    odd = np.add.outer(np.arange(rows), np.arange(columns)) % 2 > 0
    return np.where(~odd, picture, cv2.filter2D(picture, -1, cross))


def _compressed(picture: Grey, quality: int, grey_max: float) -> Grey:
    eight = np.rint(picture * (255 / grey_max)).astype(np.uint8)
    _, code = cv2.imencode(".jpg", eight, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), np.float32) * np.float32(grey_max / 255)
