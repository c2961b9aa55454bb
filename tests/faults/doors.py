"""What every door of the program promises for any bytes at all: a refusal in one line, or sound numbers.

The property tests and the coverage-guided fuzzing hold the doors to the same promises.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

from micro.comparison.coupon_file import HARDNESS_RANGES, MOST_TOUGHNESS, read_coupons
from micro.errors import InputError, MicroError, UsageError
from micro.image.reading import probe, read
from micro.points.tally import read_tallies
from micro.scale.calibration import read_calibration
from micro.study.reader import read_study


def picture(path: Path) -> None:
    """Grey levels are finite and within the full scale; a scale from tags is above 0; the header tells the truth."""
    header = probe(path)
    found = read(path, crop_bottom_px=0)
    assert found.grey.shape in (header.shape, header.shape[::-1])
    assert found.grey.dtype == np.float32
    assert np.isfinite(found.grey).all()
    assert 0 <= found.grey.min() < found.grey.max() <= found.grey_max
    if found.scale is not None:
        assert 0 < found.scale.um_per_px < np.inf


def study(path: Path) -> None:
    """Every specimen has a name and fields within the folder; a refusal names the file, and a key with its line."""
    try:
        found = read_study(path)
    except UsageError as refusal:
        said = str(refusal)
        assert said.startswith(str(path))
        assert "is not valid TOML" in said or "key '" not in said or re.match(r".* line \d+: key '", said), said
        raise
    stems = [field.stem.casefold() for specimen in found.specimens for field in specimen.fields]
    assert stems
    assert len(set(stems)) == len(stems)
    for specimen in found.specimens:
        assert specimen.name
        assert specimen.um_per_px is None or 0 < specimen.um_per_px < np.inf
        for field in specimen.fields:
            assert field.image.resolve().is_relative_to(path.parent.resolve())
            assert Path(field.stem).name == field.stem


def tally(path: Path) -> None:
    """No field has more hits than points."""
    counts = read_tallies([path]).counts
    hits = counts["inside"] + counts["boundary"]
    assert len(counts)
    assert ((hits >= 0) & (hits <= counts["points"])).all()


def coupons(path: Path) -> None:
    """Toughness is above 0 and not beyond any coupon's; hardness lies where its scale applies."""
    found = read_coupons(path)
    assert len(found.table)
    assert found.table["toughness"].between(0, MOST_TOUGHNESS, inclusive="right").all()
    assert found.table["direction"].isin(["longitudinal", "transverse"]).all()
    hardness = found.table["hardness"].dropna()
    assert hardness.empty or hardness.between(*HARDNESS_RANGES[found.hardness_scale]).all()
    assert all("\n" not in problem for problem in found.problems)


def calibration(path: Path) -> None:
    """Every number is finite, and the size of a pixel above 0."""
    found = read_calibration(path)
    assert np.isfinite([value for value in vars(found).values() if isinstance(value, float)]).all()
    assert 0 < found.um_per_px < np.inf
    assert found.image_width_px > 0


DOORS: dict[str, tuple[Callable[[Path], None], type[MicroError]]] = {
    "picture": (picture, InputError),
    "study": (study, UsageError),
    "tally": (tally, InputError),
    "coupons": (coupons, InputError),
    "calibration": (calibration, InputError),
}


def assert_taken_or_refused(door: str, path: Path) -> bool:
    """Return True where the file was taken, False where it was refused in one line; anything else is an error."""
    opened, refusal = DOORS[door]
    try:
        opened(path)
    except refusal as said:
        assert str(said).isprintable(), str(said)
        assert str(said).startswith(str(path)), str(said)
        return False
    return True
