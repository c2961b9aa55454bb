"""A stage micrometer among the fields is told; no field is taken for one.

Found when this was written: of 80 invented micrometers 79 told. Of 520 fields without one none: 200 of every kind, 200
with bands, rows, needles or scratches, 60 with parallel scratches, 60 with noise a row. A field of 1024 × 1024 px costs
5 ms, and a quarter of a second or more where one direction stands out.
"""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from invented_fields import any_scene, measured, plain, prepared
from invented_rulings import BRIGHT_FIELD, DARK_FIELD, Micrometer, photograph_micrometer

from micro.measures.field_checks import stage_micrometer
from micro.phantom.picture import Damage, Optics
from micro.phantom.scenes import Population, Scene

ROOT = Path(__file__).parents[2]
SHAPE = (384, 512)


@pytest.mark.parametrize("name", ["20x", "50x"])
def test_the_sample_micrometers_are_told(name):
    """Measured as if they were steel: one message with the number of lines and what to do."""
    grey = cv2.imread(str(ROOT / "calibration" / f"{name}.png"), cv2.IMREAD_GRAYSCALE).astype(np.float32)
    flags, messages, _ = measured(grey)
    assert "stage_micrometer" in flags
    (told,) = [m for m in messages if "stage micrometer" in m]
    assert told.endswith("(leave it out, and find the scale on it with micro calibrate)")


def test_no_sample_field_is_taken_for_one():
    fields = sorted((ROOT / "samples").glob("bar-*/*.tif"))
    assert len(fields) == 24
    for path in fields:
        assert stage_micrometer(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE).astype(np.float32)) is None


def any_micrometer(seed, shape):
    """Bright or dark field, 0.07 to 1 µm/px, any tilt, lines of 1 to 3 µm, numerals, dust, scratches."""
    rng = np.random.default_rng([5, seed])
    um_per_px = float(np.exp(rng.uniform(np.log(0.07), np.log(1.0))))
    optics = replace(
        DARK_FIELD if seed % 4 == 3 else BRIGHT_FIELD,
        noise=rng.uniform(1, 8), blur_px=rng.uniform(0.8, 2), shading=rng.uniform(0, 0.35),
    )  # fmt: skip
    ruled = Micrometer(
        um_per_px, line_width_um=rng.uniform(1, 3), numerals=bool(seed % 2), dust=int(rng.integers(0, 15)),
        tilt_deg=rng.uniform(-6, 6) if seed % 5 else rng.uniform(-45, 45), scratches=int(rng.integers(0, 3)),
    )  # fmt: skip
    return photograph_micrometer(ruled, shape, optics, rng)


def directed(seed):
    """Fields in which one direction stands out: bands close together, rows, needles, many scratches."""
    rng = np.random.default_rng([77, seed])
    carbide, spacing_px = (
        (Population(0.15, 10.0, aspect=4, misalignment_deg=2, banding=2, stringers=0.8), rng.uniform(20, 60)),
        (Population(0.15, 14.0, aspect=8, aspect_spread=0.3, misalignment_deg=1, banding=1.5), rng.uniform(15, 40)),
        (Population(0.1, 5.0, banding=3), rng.uniform(10, 30)),
        (Population(0.08, 10.0), 100.0),
    )[seed % 4]
    scene = Scene(
        (carbide,), rolling_deg=rng.uniform(0, 180), band_spacing_px=spacing_px,
        optics=Optics(80.0, (170.0,), noise=rng.uniform(4, 15)),
        damage=Damage(scratches=rng.uniform(5, 30) if seed % 4 == 3 else 0.0),
    )  # fmt: skip
    return prepared(scene, SHAPE, seed).photographed()


def ground(grey, rng):
    """Parallel scratches of a coarse grinding paper, at random distances."""
    rows, columns = grey.shape
    y, x = np.mgrid[:rows, :columns]
    direction_deg = rng.uniform(0, 180)
    for _ in range(int(rng.integers(10, 60))):
        turn = np.radians(direction_deg + rng.normal(0, 0.5))
        away = (x - rng.uniform(0, columns)) * np.sin(turn) + (y - rng.uniform(0, rows)) * np.cos(turn)
        grey = grey - rng.uniform(5, 40) * np.exp(-0.5 * (away / rng.uniform(0.5, 1.5)) ** 2)
    return np.clip(grey, 0, 255).astype(np.float32)


def with_row_noise(grey, rng):
    """Noise that a camera gives to whole rows."""
    return grey + rng.normal(0, 20, (len(grey), 1)).astype(np.float32)


@pytest.mark.study
@pytest.mark.parametrize("worsened", [ground, with_row_noise])
def test_lines_at_random_distances_are_no_ruling(worsened):
    """One direction stands out far beyond any sound field, yet nothing is even."""
    for seed in range(3):
        grey = plain(seed).photographed()[: SHAPE[0], : SHAPE[1]]
        assert stage_micrometer(worsened(grey, np.random.default_rng(seed))) is None


def test_a_picture_without_structure_is_none():
    assert stage_micrometer(np.full((60, 80), 7, np.float32)) is None
    assert stage_micrometer(np.zeros((20, 30), np.float32)) is None


@pytest.mark.study
@pytest.mark.parametrize(("shape", "least"), [((768, 1024), 39), ((480, 640), 38)])
def test_micrometers_are_told(shape, least):
    """Of 40; the smaller pictures do not always hold five lines."""
    told = sum(stage_micrometer(any_micrometer(seed, shape)) is not None for seed in range(40))
    print(f"{told} of 40 micrometers of {shape} told")
    assert told >= least


@pytest.mark.study
def test_no_field_is_taken_for_a_micrometer():
    """520 fields."""
    clean = [prepared(any_scene(np.random.default_rng([11, s])), SHAPE, 10_000 + s).photographed() for s in range(200)]
    worse = [
        worsened(grey, np.random.default_rng(s))
        for s, grey in enumerate(clean[:60])
        for worsened in (ground, with_row_noise)
    ]
    wrong = [stage_micrometer(grey) for grey in (*clean, *worse, *(directed(seed) for seed in range(200)))]
    assert len(wrong) == 520
    assert not any(wrong)
