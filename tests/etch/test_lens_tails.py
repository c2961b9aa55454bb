"""A lens with a round pupil spreads light far: known areas under the pattern that G. B. Airy derived in 1835.

The pattern, (2·J1(v)/v)², is drawn in space; the program works with what a pupil passes. Fields are drawn here.
"""

from functools import cache

import cv2
import numpy as np
import pytest
from scipy.fft import irfft2, rfft2
from scipy.special import j1

from micro import measure
from micro.segmentation import lens_tails as module
from micro.segmentation.edge_profile import middle
from micro.segmentation.lens_tails import _gaussian, _of_waves, _pupil, _Rings, lens_tails

FINER, SIDE, MATRIX, CONTRAST, NOISE = 2, 520, 90.0, 75.0, 3.0


@cache
def carbides(diameter: float, share: float, seed: int) -> np.ndarray:
    """(rows, columns) 1 in ellipses placed at random, no two over each other, on a grid FINER times finer."""
    random = np.random.default_rng(seed)
    fine = np.zeros((SIDE * FINER,) * 2, np.uint8)
    while cv2.countNonZero(fine) < share * fine.size:
        wide = diameter * random.lognormal(0, 0.3) * FINER
        axes = (wide * random.uniform(1, 1.3) / 2, wide / random.uniform(1, 1.3) / 2)
        row, column = random.integers(0, SIDE * FINER, 2)
        reach = int(wide) + 4
        part = fine[max(0, row - reach) : row + reach, max(0, column - reach) : column + reach]
        at = (float(min(column, reach)), float(min(row, reach)))
        one = cv2.ellipse(np.zeros_like(part), (at, (2 * axes[0], 2 * axes[1]), random.uniform(0, 180)), 1, -1)
        if not (cv2.dilate(one, np.ones((5, 5), np.uint8)) & part).any():
            part |= one
    return fine


@cache
def airy(cutoff: float) -> np.ndarray:
    """(rows, columns) what a pupil that passes `cutoff` cycles per px makes of a point at the origin; sum 1."""
    away = np.minimum(np.arange(SIDE * FINER), SIDE * FINER - np.arange(SIDE * FINER)) / FINER
    v = np.pi * cutoff * np.hypot(away[:, None], away) + 1e-9
    spread = (2 * j1(v) / v) ** 2
    return np.asarray(spread / spread.sum())


def gaussian(blur: float) -> np.ndarray:
    """(rows, columns) the same for a Gaussian of that standard deviation, px."""
    away = np.minimum(np.arange(SIDE * FINER), SIDE * FINER - np.arange(SIDE * FINER)) / FINER
    one = np.exp(-((away / blur) ** 2) / 2)
    return np.outer(one, one) / one.sum() ** 2


def photographed(light: np.ndarray, point: np.ndarray, seed: int) -> np.ndarray:
    """Picture of light, in shares of the contrast, through a lens that makes `point` of a point."""
    seen = cv2.resize(irfft2(rfft2(light) * rfft2(point)), (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    noise = NOISE * np.random.default_rng(seed).standard_normal(seen.shape)
    return np.rint(MATRIX + CONTRAST * seen + noise).astype(np.float32)


def measured(light: np.ndarray, point: np.ndarray, seed: int, carbides: str = "bright"):
    return measure(photographed(light, point, seed), um_per_px=0.2, rolling_deg=0, carbides=carbides)


def kinds(found):
    return {one.kind for one in found.issues}


def test_half_of_the_cutoff_passes_to_two_fifths():
    """Handbooks of optics give 0.391 at half of the cutoff (from memory), none beyond it."""
    assert _pupil(np.array([0.0, 0.5, 1.0, 1.3])) == pytest.approx([1.0, 0.391, 0.0, 0.0], abs=5e-4)


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.study)])
@pytest.mark.parametrize(("diameter", "cutoff"), [(9.0, 0.36), (13.0, 0.31), (20.0, 0.27)])
def test_area_under_a_round_pupil_is_right(diameter, cutoff, seed):
    drawn = carbides(diameter, 0.12, seed)
    found = measured(drawn.astype(float), airy(cutoff), seed)
    told = next(one for one in found.issues if one.kind == "lens_tails")
    by_light, low, high = found.area_fraction
    assert told.values["change"] < -0.01 and "halo" not in kinds(found)
    assert by_light == pytest.approx(drawn.mean(), rel=0.025) and low < drawn.mean() < high


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.study)])
@pytest.mark.parametrize(("diameter", "blur"), [(9.0, 1.1), (13.0, 1.4), (20.0, 0.9)])
def test_a_gaussian_lens_has_no_tails(diameter, blur, seed):
    drawn = carbides(diameter, 0.12, seed)
    found = measured(drawn.astype(float), gaussian(blur), seed)
    assert lens_tails(found.segmentation) is None
    assert found.area_fraction[0] == pytest.approx(drawn.mean(), rel=0.02)


@pytest.mark.parametrize("height", [0.15, -0.15])
def test_a_halo_of_the_etch_is_no_lens(height):
    """Light that lies outside the edges alone lacks nowhere inside."""
    drawn = carbides(13.0, 0.08, 4)
    away = cv2.distanceTransform(1 - drawn, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) / FINER
    light = np.where(drawn > 0, 1.0, height * np.exp(-away / 2.5))
    assert "lens_tails" not in kinds(measured(light, gaussian(1.2), 4))


def test_carbides_on_both_sides_of_the_matrix_tell_no_lens():
    bright, dark = carbides(13.0, 0.06, 5).astype(float), carbides(13.0, 0.06, 6).astype(float)
    found = measured(np.where(bright > 0, 1.0, -0.7 * dark), airy(0.31), 5, "auto").segmentation
    assert len({c.contrast > 0 for c in found.classes}) == 2 and lens_tails(found) is None


@pytest.mark.parametrize("point", [gaussian(0.9), gaussian(1.4), airy(0.5), airy(0.31), airy(0.2)])
def test_what_is_asked_first_rules_nothing_out_that_all_would_tell(point, monkeypatch):
    """With a first Gaussian that fits nothing no field is ruled out early: the answer is the same."""
    s = measured(carbides(12.0, 0.1, 7).astype(float), point, 7).segmentation
    found = lens_tails(s)
    asked = []
    monkeypatch.setattr(_Rings, "misfit_of", lambda rings, blur: asked.append(blur) or np.inf)
    assert lens_tails(s) == found and asked


@pytest.mark.parametrize("blur", [0.7, 1.2, 2.0])
def test_a_gaussian_fits_alike_in_space_and_by_its_waves(blur):
    """The first look blurs drawings by OpenCV; the whole one sums over the waves of SciPy's transform."""
    rings = _Rings.of(middle(measured(carbides(12.0, 0.1, 8).astype(float), gaussian(1.2), 8).segmentation))
    through = _gaussian(_of_waves(rings.ring.shape).frequency[:, None], np.array([blur]))
    by_waves = rings.fitted(rings.by_frequency(slice(None)), through)[0].min()
    assert rings.misfit_of(blur) == pytest.approx(by_waves, rel=0.01, abs=0.05)


@pytest.mark.parametrize("shape", [(12, 15), (15, 12), (9, 9), (16, 16)])
def test_waves_of_all_frequencies_make_up_the_whole(shape):
    """Parseval: over all frequencies the shares sum to what the drawing holds on the mask."""
    random = np.random.default_rng(0)
    drawing, mask = random.random(shape, np.float32), (random.random(shape) < 0.4).astype(np.float32)
    shared = module._by_frequency(module._spectra([drawing]), [mask])
    assert shared.sum() == pytest.approx(float(drawing[mask > 0].sum()), rel=1e-5)
