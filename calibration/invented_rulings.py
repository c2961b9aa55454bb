"""Invented stage micrometers; `python calibration/invented_rulings.py FOLDER` writes their pictures again."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from micro.phantom.picture import Optics, photograph
from micro.phantom.scenes import place
from micro.phantom.shapes import Coverage, cover, shapes

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Micrometer:
    """A ruling and how it lies under the objective; the middle of the ruling at the middle of the picture.

    Parameters
    ----------
    um_per_px
        The truth.
    pitch_um, lines, line_width_um
        Distance, number and width of the lines.
    lengths_um
        Length of the lines that are neither fifth nor tenth, of the fifth ones, of the tenth ones.
    tilt_deg
        Lines from the vertical, counter-clockwise as seen.
    missing
        Numbers of lines that are not there.
    placing_error_um
        Standard deviation of the lines from their places.
    drift
        Relative growth of the local scale from the middle of the picture to its right edge, in µm per px.
    barrel
        Relative growth of the local scale from the middle to both edges.
    numerals
        Whether numbers stand beside the tenth lines.
    dust, scratches
        How many.
    """

    um_per_px: float
    pitch_um: float = 10.0
    lines: int = 101
    line_width_um: float = 2.0
    lengths_um: tuple[float, float, float] = (60.0, 80.0, 100.0)
    tilt_deg: float = 0.0
    missing: tuple[int, ...] = ()
    placing_error_um: float = 0.0
    drift: float = 0.0
    barrel: float = 0.0
    numerals: bool = False
    dust: int = 0
    scratches: int = 0


BRIGHT_FIELD = Optics(matrix_grey=200.0, class_greys=(60.0, 90.0), blur_px=1.2, noise=2.5, shading=0.15)
DARK_FIELD = Optics(matrix_grey=30.0, class_greys=(190.0, 120.0), blur_px=1.2, noise=2.5, shading=0.15)


def photograph_micrometer(
    micrometer: Micrometer, shape: tuple[int, int], optics: Optics, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Grey picture (rows, columns) float32 of whole levels; pixels at the lines' sides hold their exact share.

    Parameters
    ----------
    shape
        (rows, columns) of the picture.
    optics
        `class_greys` holds the level of the lines and that of the dust.
    """
    across, along = _on_the_stage(micrometer, shape)
    share = _ruled(micrometer, across, along, rng)
    if micrometer.numerals:
        share = np.maximum(share, _numerals(micrometer, shape))
    for _ in range(micrometer.scratches):
        share = np.maximum(share, _scratch(shape, rng))
    dust = _dust(micrometer.dust, shape, rng)
    by_class = np.stack([share * (1 - dust), dust]).astype(np.float32)
    return photograph(Coverage(by_class, np.zeros(shape, np.int32), np.empty(0), np.empty(0, bool)), optics, rng)


def _on_the_stage(micrometer: Micrometer, shape: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """Pixel centres in µm across and along the lines, from the middle of the picture."""
    rows, columns = shape
    x, y = np.meshgrid(np.arange(columns) + 0.5 - columns / 2, np.arange(rows) + 0.5 - rows / 2)
    tilt = np.radians(micrometer.tilt_deg)
    across, along = x * np.cos(tilt) - y * np.sin(tilt), x * np.sin(tilt) + y * np.cos(tilt)
    half = max(shape) / 2
    bend = micrometer.drift * across / half / 2 + micrometer.barrel * (across / half) ** 2 / 3
    return micrometer.um_per_px * across * (1 + bend), micrometer.um_per_px * along


def _ruled(micrometer: Micrometer, across: FloatArray, along: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Share of every pixel that lines cover."""
    number = np.arange(micrometer.lines)
    error = rng.normal(0, micrometer.placing_error_um, micrometer.lines) if micrometer.placing_error_um else 0.0
    place = (number - (micrometer.lines - 1) / 2) * micrometer.pitch_um + error
    short, fifth, tenth = micrometer.lengths_um
    length = np.where(number % 10 == 0, tenth, np.where(number % 5 == 0, fifth, short))
    length = np.where(np.isin(number, micrometer.missing), 0.0, length)
    nearest = np.rint(across / micrometer.pitch_um + (micrometer.lines - 1) / 2).astype(int)
    pixel, half_width, tilt = micrometer.um_per_px, micrometer.line_width_um / 2, micrometer.tilt_deg
    base = tenth / 2  # all lines start from one level
    total = np.zeros(across.shape)
    for candidate in (nearest - 1, nearest, nearest + 1):
        line = np.clip(candidate, 0, micrometer.lines - 1)
        d = across - place[line]
        wide = _half_plane((d + half_width) / pixel, tilt) - _half_plane((d - half_width) / pixel, tilt)
        high = _half_plane((base - along) / pixel, tilt) - _half_plane((base - length[line] - along) / pixel, tilt)
        total += np.where(candidate == line, wide * np.clip(high, 0, 1), 0.0)
    return np.minimum(total, 1.0)


def _half_plane(distance: FloatArray, tilt_deg: float) -> FloatArray:
    """Share of a unit pixel on the near side of a straight edge, its centre at `distance` px inside.

    The pixel's shadow on the edge's normal is a trapezoid; this is the integral of it.
    """
    c, s = abs(np.cos(np.radians(tilt_deg))), abs(np.sin(np.radians(tilt_deg)))
    long, short = max(c, s), min(c, s)
    if short < 1e-9:
        return np.clip(distance + 0.5, 0.0, 1.0)

    def ramp(t: FloatArray) -> FloatArray:
        return np.clip(t, 0.0, None) ** 2 / 2

    outer, inner = (long + short) / 2, (long - short) / 2
    corner = ramp(distance + outer) - ramp(distance + inner) - ramp(distance - inner) + ramp(distance - outer)
    return np.clip(corner / (long * short), 0.0, 1.0)


def _numerals(micrometer: Micrometer, shape: tuple[int, int]) -> FloatArray:
    """Numbers of the tenth lines, above their ends."""
    import cv2

    rows, columns = shape
    canvas = np.zeros(shape, np.uint8)
    tilt = np.radians(micrometer.tilt_deg)
    size = 0.4 * micrometer.pitch_um / micrometer.um_per_px / 20
    for number in range(0, micrometer.lines, 10):
        u = (number - (micrometer.lines - 1) / 2) * micrometer.pitch_um / micrometer.um_per_px
        v = -(micrometer.lengths_um[2] / 2 / micrometer.um_per_px + 6)
        x, y = u * np.cos(tilt) + v * np.sin(tilt) + columns / 2, -u * np.sin(tilt) + v * np.cos(tilt) + rows / 2
        if -100 < x < columns + 100 and -100 < y < rows + 100:
            place = (int(x - 20 * size), int(y))
            cv2.putText(canvas, str(number), place, cv2.FONT_HERSHEY_SIMPLEX, 2 * size, 255, 2, cv2.LINE_AA)
    return canvas / 255.0


def _scratch(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """One thin straight line in any direction, right across the picture."""
    rows, columns = shape
    angle = rng.uniform(0, 180)
    x, y = np.meshgrid(np.arange(columns) + 0.5 - rng.uniform(0, columns), np.arange(rows) + 0.5 - rng.uniform(0, rows))
    d = x * np.cos(np.radians(angle)) - y * np.sin(np.radians(angle))
    half = rng.uniform(0.4, 1.2)
    return 0.6 * (_half_plane(d + half, angle) - _half_plane(d - half, angle))


def _dust(count: int, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    if not count:
        return np.zeros(shape)
    grains = shapes(rng.uniform(2, 14, count), rng, aspect=rng.uniform(1, 2, count), roughness=0.2)
    rng.uniform()  # a draw more, so that the pictures stay as they are
    return cover(place(grains, shape, None, rng), shape).by_class[0].astype(float)


SHAPE = (768, 1024)
NOISE = 4.0


@dataclass(frozen=True)
class Objective:
    """An invented objective: the micrometer under it, its light, its seed."""

    micrometer: Micrometer
    optics: Optics
    seed: int


OBJECTIVES = {
    "20x": Objective(
        Micrometer(0.4932, tilt_deg=-1.7, numerals=True, dust=8, scratches=1), replace(BRIGHT_FIELD, noise=NOISE), 20
    ),
    "50x": Objective(
        Micrometer(0.1973, tilt_deg=2.3, numerals=True, dust=12), replace(BRIGHT_FIELD, noise=NOISE, shading=0.2), 50
    ),
}


def objective_picture(name: str) -> NDArray[np.uint8]:
    """Grey picture (rows, columns) uint8 of the micrometer under the objective of that name."""
    objective = OBJECTIVES[name]
    rng = np.random.default_rng(objective.seed)
    return photograph_micrometer(objective.micrometer, SHAPE, objective.optics, rng).astype(np.uint8)


def write_pictures(folder: Path) -> None:
    """Write NAME.png of every objective."""
    import cv2

    folder.mkdir(parents=True, exist_ok=True)
    for name in OBJECTIVES:
        cv2.imwrite(str(folder / f"{name}.png"), objective_picture(name), [cv2.IMWRITE_PNG_COMPRESSION, 9])


if __name__ == "__main__":
    write_pictures(Path(sys.argv[1]))
