"""The size of a pixel comes out of rendered micrometers as it went in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_rulings import BRIGHT_FIELD, DARK_FIELD, Micrometer, photograph_micrometer

from micro.errors import InputError
from micro.phantom.picture import Optics
from micro.scale.calibration import calibrate

SHAPE = (360, 480)
NOISY = replace(BRIGHT_FIELD, noise=12.75, shading=0.3)  # 5 % of full scale
TRUTH = 0.4321


def picture(micrometer: Micrometer, optics: Optics = NOISY, seed: int = 1) -> np.ndarray:
    """Photograph a micrometer."""
    return photograph_micrometer(micrometer, SHAPE, optics, np.random.default_rng(seed))


@pytest.mark.parametrize("tilt", [-20, -7.3, 0, 3.1, 20])
@pytest.mark.parametrize("optics", [NOISY, replace(DARK_FIELD, noise=12.75)], ids=["dark lines", "bright lines"])
def test_error_is_below_a_twentieth_of_a_percent(tilt: float, optics: Optics) -> None:
    """Noise 5 %, shading 30 %, any tilt to 20°; the tilt itself comes out too."""
    found = calibrate(picture(Micrometer(TRUTH, tilt_deg=tilt), optics), 10)
    assert found.um_per_px == pytest.approx(TRUTH, rel=5e-4)
    assert found.tilt_deg == pytest.approx(tilt, abs=0.2)


def test_dust_scratches_and_missing_lines_do_no_harm() -> None:
    """What does not belong to the ruling is left out; gaps keep their count."""
    dirty = Micrometer(TRUTH, tilt_deg=4, missing=(44, 51, 52), dust=12, scratches=1, numerals=True)
    assert calibrate(picture(dirty), 10).um_per_px == pytest.approx(TRUTH, rel=5e-4)


def test_pitch_agrees_with_the_fourier_peak() -> None:
    """The period read off numpy's FFT of the column means, refined by zero padding, within 0.5 %."""
    grey = picture(Micrometer(TRUTH), replace(BRIGHT_FIELD, shading=0.0))
    profile = grey.mean(axis=0) - grey.mean()
    spectrum = np.abs(np.fft.rfft(profile * np.hanning(profile.size), 1 << 18))
    low = (1 << 18) // 60
    period_px = (1 << 18) / (low + int(np.argmax(spectrum[low:])))
    assert 10 / calibrate(grey, 10).um_per_px == pytest.approx(period_px, rel=5e-3)


def test_a_drifting_magnification_is_found() -> None:
    """A local scale that grows by 2 % towards one edge is told; an even one is not."""
    drifting = calibrate(picture(Micrometer(TRUTH, drift=0.02), BRIGHT_FIELD), 10)
    even = calibrate(picture(Micrometer(TRUTH), BRIGHT_FIELD), 10)
    assert drifting.distortion_p_value is not None and drifting.distortion_p_value < 0.01
    assert even.distortion_p_value is not None and even.distortion_p_value > 0.01


def test_what_is_no_ruling_is_refused() -> None:
    """Too few lines, two rulings that cross, noise alone, round carbides alone."""
    rng = np.random.default_rng(4)
    one = picture(Micrometer(TRUTH, lengths_um=(300, 300, 300)), BRIGHT_FIELD)
    crossing = np.minimum(one[:, :360], one[:, :360].T)
    dusty = picture(Micrometer(TRUTH, lines=1, missing=(0,), dust=60), BRIGHT_FIELD)
    for grey in (picture(Micrometer(TRUTH, lines=3)), crossing, rng.normal(120, 10, SHAPE), dusty):
        with pytest.raises(InputError) as refusal:
            calibrate(grey, 10)
        assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(("across", "tilt_deg"), [(False, 0.0), (False, 3.1), (True, -2.4)])
def test_five_lines_are_enough_and_four_are_told_to_be_too_few(across: bool, tilt_deg: float) -> None:
    """Lines of known distance drawn here, with noise and uneven light: within 0.3 %, or told how many it needs."""
    rng = np.random.default_rng(6)
    y, x = np.mgrid[:240, :320]
    turn = np.radians(tilt_deg)
    along = (
        (y - 120) * np.cos(turn) + (x - 160) * np.sin(turn) if across else (x - 160) * np.cos(turn) + y * np.sin(turn)
    )
    for lines in (4, 5):
        grey = 180 * (1 + 0.2 * (x / 320 - 0.5))
        for number in range(lines):
            grey -= 100 * np.exp(-0.5 * ((along - (number - lines / 2) * 47.3 - 9) / 2.1) ** 2)
        grey = np.clip(grey + rng.normal(0, 4, grey.shape), 0, 255)
        if lines == 5:
            found = calibrate(grey, 10)
            assert found.lines == 5
            assert 10 / found.um_per_px == pytest.approx(47.3, rel=3e-3)
        else:
            with pytest.raises(InputError, match=r"4 lines found, 5 needed|at least 5 lines"):
                calibrate(grey, 10)


@pytest.mark.parametrize("seed", [5, 7, 16, 39])
def test_lines_at_random_distances_are_refused(seed: int) -> None:
    """Rows of random brightness: with a wide enough net some of their edges seem even."""
    rng = np.random.default_rng(seed)
    rows = 150 + rng.normal(0, 20, (240, 1)) + rng.normal(0, 4, (240, 320))
    with pytest.raises(InputError, match=r"not evenly spaced|lines? found, 5 needed"):
        calibrate(np.clip(rows, 0, 255), 10)


def test_misplaced_lines_of_a_poor_micrometer_are_told_by_the_uncertainty() -> None:
    """Lines 0.15 µm from their places, a poor ruling: measured, with the error within 3 standard uncertainties."""
    found = calibrate(picture(Micrometer(TRUTH, placing_error_um=0.15)), 10)
    assert abs(found.um_per_px - TRUTH) < 3 * found.um_per_px_standard_uncertainty
    assert found.um_per_px_standard_uncertainty > 1e-4 * TRUTH


@pytest.mark.parametrize("pitch", [0, -10, float("nan"), float("inf")])
def test_a_pitch_that_is_no_length_is_refused(pitch: float) -> None:
    """Zero, negative, not a number, infinite."""
    with pytest.raises(InputError, match="not a length above 0"):
        calibrate(picture(Micrometer(TRUTH)), pitch)


@pytest.mark.study
def test_the_stated_interval_holds() -> None:
    """In at least 93 % of 200 renders the 95 % interval holds the truth, and no error passes 0.05 %."""
    rng = np.random.default_rng(2026)
    held, worst = 0, 0.0
    for seed in range(200):
        truth = float(rng.uniform(0.3, 0.7))
        micrometer = Micrometer(
            truth, tilt_deg=float(rng.uniform(-20, 20)), dust=int(rng.integers(0, 6)), placing_error_um=0.02
        )
        optics = replace(NOISY if seed % 2 else replace(DARK_FIELD, noise=12.75), blur_px=float(rng.uniform(0.8, 2)))
        found = calibrate(picture(micrometer, optics, seed), 10)
        low, high = found.interval95_um_per_px
        held += low <= truth <= high
        worst = max(worst, abs(found.um_per_px / truth - 1))
    print(f"interval held in {held} of 200, largest error {100 * worst:.4f} %")
    assert held >= 186
    assert worst <= 5e-4


def test_drift_is_part_of_the_uncertainty() -> None:
    """A scale that runs from -2 to +2 % over the picture is off by 4 %/√12 in the root mean square."""
    drifting = calibrate(picture(Micrometer(TRUTH, drift=0.02), BRIGHT_FIELD), 10)
    even = calibrate(picture(Micrometer(TRUTH), BRIGHT_FIELD), 10)
    relative = [c.um_per_px_standard_uncertainty / c.um_per_px for c in (drifting, even)]
    assert relative[0] == pytest.approx(0.04 / np.sqrt(12), rel=0.1)
    assert relative[1] < 0.001


def test_a_turned_picture_has_the_same_tilt() -> None:
    """A quarter turn carries the ruling from upright to level and leaves its tilt from the axis, sign and all."""
    grey = picture(Micrometer(TRUTH, tilt_deg=3.0), BRIGHT_FIELD)
    upright, level = calibrate(grey, 10), calibrate(np.rot90(grey).copy(), 10)
    assert abs(upright.tilt_deg) == pytest.approx(3.0, abs=0.05)
    assert level.tilt_deg == pytest.approx(upright.tilt_deg, abs=0.02)
