"""A TIFF's own scale is believed only where it means something (TIFF 6.0, section 8; OME data model)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from micro.scale.scale import Scale, scale_from_tags

PICTURE = np.random.default_rng(1).integers(0, 255, (40, 60), dtype=np.uint8)


def tagged(folder: Path, **tags: Any) -> Scale | None:
    """Write a picture with these tags and read its scale."""
    tifffile.imwrite(folder / "p.ome.tif" if tags.get("ome") else folder / "p.tif", PICTURE, **tags)
    return scale_from_tags(folder / ("p.ome.tif" if tags.get("ome") else "p.tif"))


@pytest.mark.parametrize(("unit", "per_unit"), [(2, 127000), (3, 50000)])
def test_inch_and_centimetre(tmp_path: Path, unit: int, per_unit: int) -> None:
    """127 000 pixels an inch and 50 000 a centimetre are both 0.2 µm a pixel."""
    scale = tagged(tmp_path, resolution=(per_unit, per_unit), resolutionunit=unit)
    assert scale is not None
    assert scale.um_per_px == pytest.approx(0.2, rel=1e-6)
    assert "resolution" in scale.origin


@pytest.mark.parametrize("default", [1, 72, 96])
def test_defaults_state_nothing(tmp_path: Path, default: int) -> None:
    """1, 72 and 96 are what programs write that know no scale."""
    assert tagged(tmp_path, resolution=(default, default), resolutionunit=2) is None


def test_no_unit_and_oblong_pixels_state_nothing(tmp_path: Path) -> None:
    """A resolution without a unit, or with two different pixel sides, is no scale."""
    assert tagged(tmp_path, resolution=(50000, 50000), resolutionunit=1) is None
    assert tagged(tmp_path, resolution=(50000, 40000), resolutionunit=3) is None


@pytest.mark.parametrize(("size", "unit", "um"), [(0.25, "µm", 0.25), (250, "nm", 0.25), (0.001, "mm", 1.0)])
def test_ome_xml(tmp_path: Path, size: float, unit: str, um: float) -> None:
    """PhysicalSizeX in its unit."""
    meta = {"axes": "YX"}
    meta |= {f"PhysicalSize{a}": size for a in "XY"} | {f"PhysicalSize{a}Unit": unit for a in "XY"}  # type: ignore[misc]
    scale = tagged(tmp_path, ome=True, metadata=meta)
    assert scale is not None
    assert scale.um_per_px == pytest.approx(um)
    assert "OME" in scale.origin


def test_a_missing_or_foreign_file_states_nothing(tmp_path: Path) -> None:
    """Text is no TIFF."""
    (tmp_path / "p.tif").write_text("text")
    assert scale_from_tags(tmp_path / "p.tif") is None
