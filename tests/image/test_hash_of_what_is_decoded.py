"""The hash of a picture is that of the bytes its greys come from, whatever happens to the file meanwhile."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile

from micro.errors import InputError
from micro.image import reading
from micro.image.reading import read

SWAPPED_AT = ("_probe", "_check_kind", "hash_of_stream", "_decode")


def picture(path: Path, seed: int) -> tuple[np.ndarray, str]:
    """Write a picture of noise; return its greys and the hash of its file."""
    grey = np.random.default_rng(seed).integers(50, 200, (64, 64), dtype=np.uint8)
    tifffile.imwrite(path, grey, resolution=(50_000 + seed, 50_000 + seed), resolutionunit="CENTIMETER")
    return grey, hashlib.sha256(path.read_bytes()).hexdigest()


def replaced(path: Path, other: Path) -> None:
    """Another file takes the name."""
    other.replace(path)


def written_over(path: Path, other: Path) -> None:
    """Write other bytes into the same file, as an instrument does that saves again."""
    path.write_bytes(other.read_bytes())


@pytest.mark.parametrize("large", [False, True], ids=["held in memory", "too large to be held"])
@pytest.mark.parametrize("change", [replaced, written_over])
@pytest.mark.parametrize("step", SWAPPED_AT)
def test_hash_greys_and_scale_are_of_one_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, change: Callable[[Path, Path], None], large: bool
) -> None:
    """The picture is changed before a step of reading: all that is told is of one of the files, or it is refused."""
    path, other = tmp_path / "a.tif", tmp_path / "b.tif"
    sound = [picture(path, 1), picture(other, 2)]
    before = getattr(reading, step)

    def changing(*given: object) -> object:
        if other.exists():
            change(path, other)
            other.unlink(missing_ok=True)
        return before(*given)

    monkeypatch.setattr(reading, step, changing)
    if large:
        monkeypatch.setattr(reading, "LARGE_BYTES", 0)
    try:
        found = read(path)
    except InputError as trouble:
        assert "was written to while it was read" in str(trouble)
        assert change is written_over
        return
    (seed,) = [n for n, (_, digest) in enumerate(sound, 1) if digest == found.sha256]
    np.testing.assert_array_equal(found.grey, sound[seed - 1][0])
    assert found.scale is not None
    assert found.scale.um_per_px == pytest.approx(1e4 / (50_000 + seed))


def test_parts_of_a_file_that_changes_have_no_numbers(tmp_path: Path) -> None:
    """Two parts of one mosaic were read from different bytes: neither counts; a field of another file does."""
    from micro.batch.fields import of_one_file
    from micro.batch.job import Job, Outcome
    from micro.segmentation.segmentation import SegmentationSettings
    from micro.study.model import Field

    def job(name: str, file: str) -> Job:
        return Job("A", Field(name, tmp_path / file, file, name, SegmentationSettings()), None, 1, None, tmp_path)

    jobs = [job("m-r1c1", "m.tif"), job("m-r1c2", "m.tif"), job("n", "n.tif")]
    each = zip(jobs, "xyx", strict=True)
    found = of_one_file(jobs, [Outcome("A", j.field.name, j.field.stem, "", digest) for j, digest in each])
    assert [bool(o.trouble) for o in found] == [True, True, False]
    assert f"{tmp_path / 'm.tif'}: was changed while its fields were measured" in found[0].trouble
    same = [Outcome("A", j.field.name, j.field.stem, "", "x") for j in jobs]
    assert list(of_one_file(jobs, same)) == same
