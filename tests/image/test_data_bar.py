"""A burned-in strip is found to the row; a clean micrograph keeps all its rows."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from micro.errors import InputError
from micro.image.micrograph import find_data_bar
from micro.image.reading import read
from micro.scale.calibration import Calibration

SHAPE = (300, 420)


def matrix(seed: int, level: float = 110.0, noise: float = 4.0) -> np.ndarray:
    """Draw a noisy matrix with bright discs, some of them cut by the lower edge."""
    rng = np.random.default_rng(seed)
    picture = np.full(SHAPE, level, np.float32)
    for _ in range(60):
        centre = (int(rng.integers(0, SHAPE[1])), int(rng.integers(0, SHAPE[0] + 5)))
        cv2.circle(picture, centre, int(rng.integers(2, 12)), level + 90, -1)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
    return np.clip(np.round(picture + rng.normal(0, noise, SHAPE)), 0, 255).astype(np.uint8)


def with_bar(picture: np.ndarray, rows: int, ground: int) -> np.ndarray:
    """Add a strip with a line of letters and a scale bar below."""
    bar = np.full((rows, picture.shape[1]), ground, np.uint8)
    ink = 255 - ground
    cv2.putText(bar, "20 kV  x1000  10 um", (10, rows - 6), cv2.FONT_HERSHEY_SIMPLEX, rows / 60, ink, 1)
    bar[rows // 2 : rows // 2 + 2, 300:400] = ink
    return np.vstack([picture, bar])


@pytest.mark.parametrize("ground", [0, 255])
@pytest.mark.parametrize("rows", [16, 28, 60])
def test_a_bar_is_found_to_the_row(rows: int, ground: int) -> None:
    """Black and white bars of several heights."""
    for seed in range(10):
        assert find_data_bar(with_bar(matrix(seed), rows, ground).astype(np.float32)) == rows


def test_no_bar_is_found_on_clean_fields() -> None:
    """None of 200 fields, noisy or nearly free of noise, loses a row."""
    for seed in range(200):
        assert find_data_bar(matrix(seed, noise=0.5 + seed % 8).astype(np.float32)) == 0


def test_a_bar_in_a_jpeg_is_cut_and_told(tmp_path: Path) -> None:
    """Packing smears the edge over a block; what is left is micrograph only, within two rows."""
    file = tmp_path / "field.jpg"
    cv2.imwrite(str(file), with_bar(matrix(1), 28, 0), [cv2.IMWRITE_JPEG_QUALITY, 85])
    micrograph = read(file)
    assert SHAPE[0] - 2 <= micrograph.grey.shape[0] <= SHAPE[0]
    assert any("data bar found" in one.text for one in micrograph.issues)


def test_told_rows_are_cut_instead(tmp_path: Path) -> None:
    """Rows given by hand are cut as given, 0 cuts nothing."""
    file = tmp_path / "field.png"
    cv2.imwrite(str(file), with_bar(matrix(2), 28, 0))
    assert read(file, crop_bottom_px=40).grey.shape == (SHAPE[0] - 12, SHAPE[1])
    assert read(file, crop_bottom_px=0).grey.shape == (SHAPE[0] + 28, SHAPE[1])
    assert read(file).data_bar.shape == (28, SHAPE[1])


def test_a_calibrated_size_may_be_that_without_the_data_bar(tmp_path: Path) -> None:
    """The micrometer was photographed without the strip; a picture of another size is refused by its name."""
    calibration = Calibration(0.1, 1e-4, 10.0, 9, SHAPE[1], SHAPE[0], 0.0, 0.01)
    file = tmp_path / "field.png"
    cv2.imwrite(str(file), with_bar(matrix(3), 28, 0))
    assert read(file, scale=calibration).scale.um_per_px == 0.1
    cv2.imwrite(str(file), with_bar(matrix(3), 28, 0)[20:])
    with pytest.raises(InputError, match=r"field\.png: the picture is 420 x 308 px, the calibration picture 420 x 300"):
        read(file, scale=calibration)
