"""A calibration survives its file; a spoilt file is told in one line that names the key."""

from __future__ import annotations

import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_rulings import OBJECTIVES, write_pictures

from micro.errors import InputError
from micro.scale.calibration import Calibration, read_calibration, write_calibration

ROOT = Path(__file__).parents[2]
SAMPLE = Calibration(
    0.2, 1e-5, 10.0, 21, 1024, 768, 1.5, 0.04, 1, 0.01, 0.02, 0.4, 'a "b".png', "ab" * 32, "2026-01-02"
)


def test_round_trip(tmp_path: Path) -> None:
    """What is written is read again, key by key."""
    write_calibration(tmp_path / "c.toml", SAMPLE)
    assert read_calibration(tmp_path / "c.toml") == SAMPLE


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("um_per_px = 0.2", "um_per_px = -0.2", "um_per_px"),
        ("um_per_px = 0.2", 'um_per_px = "0.2"', "um_per_px"),
        ("um_per_px = 0.2", "um_per_px = nan", "um_per_px"),
        ("um_per_px = 0.2\n", "", "um_per_px is missing"),
        ("lines = 21", "lines = 21.5", "lines"),
        ("lines = 21", "lines = true", "lines"),
        ("pitch_um = 10.0", "pitch_um = 0", "pitch_um"),
        ("image_width_px = 1024", "image_width_px = 0", "image_width_px"),
        ("um_per_px_standard_uncertainty = 1e-05", "um_per_px_standard_uncertainty = -1", "standard_uncertainty"),
        ("lines = 21", "lines = 21\nlens = 3", "unknown key lens"),
        ("lines = 21", "lines = = 21", "is no TOML"),
    ],
)
def test_each_bad_key_is_named_in_one_line(tmp_path: Path, old: str, new: str, named: str) -> None:
    """Wrong sign, wrong type, missing, unknown."""
    file = tmp_path / "c.toml"
    write_calibration(file, SAMPLE)
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError, match=named) as refusal:
        read_calibration(file)
    assert "\n" not in str(refusal.value)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.integers(0, 600), byte=st.integers(0, 255), cut=st.booleans())
def test_a_damaged_file_is_read_or_refused(tmp_path: Path, place: int, byte: int, cut: bool) -> None:
    """Any byte changed, or the file cut there: a calibration or one line."""
    file = tmp_path / "c.toml"
    write_calibration(file, SAMPLE)
    data = bytearray(file.read_bytes())
    place = min(place, len(data) - 1)
    data[place] = byte
    file.write_bytes(bytes(data[:place] if cut else data))
    try:
        read_calibration(file)
    except InputError as refusal:
        assert "\n" not in str(refusal)


def test_a_picture_of_another_size_is_refused_unless_binning_is_declared() -> None:
    """Half the size is refused with the binning it suggests; declared, it doubles the pixel."""
    with pytest.raises(InputError, match="declare binning 2"):
        SAMPLE.scale_for(512, 384)
    assert SAMPLE.scale_for(512, 384, binning=2).um_per_px == pytest.approx(0.4)
    assert SAMPLE.scale_for(1024, 768).um_per_px == 0.2
    with pytest.raises(InputError, match="not binned 3 to 1"):
        SAMPLE.scale_for(512, 384, binning=3)


def test_a_picture_cropped_from_the_calibrated_size_can_say_so() -> None:
    """Cropping leaves the size of a pixel; the scale says that it was told so. None can be larger."""
    told = SAMPLE.scale_for(300, 768, cropped=True)
    assert told.um_per_px == 0.2
    assert "cropped from its size as told" in told.origin
    assert SAMPLE.scale_for(200, 100, binning=2, cropped=True).um_per_px == pytest.approx(0.4)
    with pytest.raises(InputError, match="1030 x 700 px"):
        SAMPLE.scale_for(1030, 700, cropped=True)
    with pytest.raises(InputError, match="--cropped"):
        SAMPLE.scale_for(300, 700)


def test_the_samples_use_the_calibration_of_the_50x_picture() -> None:
    """One file in two places, byte by byte."""
    assert (ROOT / "samples/50x.toml").read_bytes() == (ROOT / "calibration/50x.toml").read_bytes()


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Pictures of all objectives, drawn again."""
    folder = tmp_path_factory.mktemp("drawn") / "calibration"
    write_pictures(folder)
    return folder


@pytest.mark.parametrize("name", list(OBJECTIVES))
def test_the_pictures_are_what_the_program_draws(name: str, drawn: Path) -> None:
    """Pixel by pixel; their files' hashes and true scales agree with the calibration files."""
    file = ROOT / "calibration" / f"{name}.png"
    kept, again = (cv2.imread(str(path), cv2.IMREAD_UNCHANGED) for path in (file, drawn / file.name))
    assert np.array_equal(kept, again)
    calibration = read_calibration(file.with_suffix(".toml"))
    assert calibration.image_sha256 == hashlib.sha256(file.read_bytes()).hexdigest()
    assert calibration.um_per_px == pytest.approx(OBJECTIVES[name].micrometer.um_per_px, rel=5e-4)
