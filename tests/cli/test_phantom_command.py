"""`micro phantom` draws what was asked for, and writes the truth of what it drew."""

import cv2
import numpy as np
import pandas as pd
import pytest
import tifffile
from click.testing import CliRunner

from micro.cli.phantom import command
from micro.errors import UsageError
from micro.image.reading import read

SMALL = ["--size", "160", "120"]


def phantom(*arguments):
    return CliRunner().invoke(command, [str(a) for a in arguments])


def test_pictures_and_truth(tmp_path):
    """As many pictures as asked for, of that size, and one row of truth each; the mean printed is the table's."""
    told = phantom("--out", tmp_path / "p", "--fields", 10, "--um-per-px", 0.1, "--area-pct", 20, *SMALL)
    assert told.exit_code == 0, told.output
    pictures = sorted((tmp_path / "p").glob("*.tif"))
    assert [p.stem for p in pictures[:2]] == ["field-01", "field-02"]
    assert len(pictures) == 10
    micrograph = read(pictures[0])
    assert micrograph.grey.shape == (120, 160)
    assert micrograph.scale.um_per_px == pytest.approx(0.1)
    fields = pd.read_csv(tmp_path / "p" / "truth_fields.csv")
    whole = fields[fields["carbide_class"] == "all"]
    assert list(whole["field"]) == [p.stem for p in pictures]
    assert f"10 fields with {100 * whole['area_fraction'].mean():.4g} %" in told.stdout
    assert whole["area_fraction"].mean() == pytest.approx(0.2, rel=0.1)


def test_truth_of_carbides_in_micrometres(tmp_path):
    """What shows of all carbides in the frame is the area fraction of the frame."""
    phantom("--out", tmp_path / "p", "--fields", 2, *SMALL)
    fields = pd.read_csv(tmp_path / "p" / "truth_fields.csv").query("carbide_class == 'all'").set_index("field")
    carbides = pd.read_csv(tmp_path / "p" / "truth_particles.csv")
    shown = carbides.groupby("field")["shown_um2"].sum() / (160 * 120 * 0.2**2)
    assert shown.to_dict() == pytest.approx(fields["area_fraction"].to_dict(), rel=1e-5)
    ecd = 2 * np.sqrt(carbides["area_um2"] / np.pi)
    np.testing.assert_allclose(carbides["ecd_um"], ecd, rtol=1e-6)


def test_one_seed_one_set(tmp_path):
    """The same seed draws the same pictures, another seed others."""
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        assert phantom("--out", tmp_path / name, "--fields", 1, "--seed", seed, *SMALL).exit_code == 0
    first, second, other = (tifffile.imread(tmp_path / name / "field-1.tif") for name in "abc")
    assert np.array_equal(first, second)
    assert not np.array_equal(first, other)


@pytest.mark.parametrize(
    ("kind", "name", "dtype", "matrix"),
    [("png", "field-1.png", np.uint8, 100), ("tiff16", "field-1.tif", np.uint16, 25700)],
)
def test_kinds_of_file(tmp_path, kind, name, dtype, matrix):
    """8 and 16 bit; the matrix lies at the same share of full scale."""
    told = phantom("--out", tmp_path / "p", "--fields", 1, "--kind", kind, *SMALL)
    assert told.exit_code == 0, told.output
    path = tmp_path / "p" / name
    picture = tifffile.imread(path) if kind == "tiff16" else cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert picture.dtype == dtype
    assert np.median(picture) == pytest.approx(0.93 * matrix, rel=0.06)  # the light falls off by 15 %


def test_a_picture_larger_than_can_be_measured_at_once_is_refused(tmp_path):
    with pytest.raises(UsageError, match=r"--size: 20000 × 20000 pixels are too many"):
        CliRunner().invoke(command, ["--out", str(tmp_path / "p"), "--size", "20000", "20000"], catch_exceptions=False)
    assert not (tmp_path / "p").exists()


def test_damage_changes_the_picture_and_not_its_truth(tmp_path):
    """Dirt lies on the same carbides."""
    for name, more in (("clean", ()), ("dirty", ("--damage",))):
        told = phantom("--out", tmp_path / name, "--fields", 2, "--banding", 1, "--aspect", 2.5, *SMALL, *more)
        assert told.exit_code == 0, told.output
    one, two = (pd.read_csv(tmp_path / n / "truth_particles.csv") for n in ("clean", "dirty"))
    pd.testing.assert_frame_equal(one, two)
    clean, dirty = (tifffile.imread(tmp_path / n / "field-1.tif").astype(int) for n in ("clean", "dirty"))
    assert np.abs(clean - dirty).max() > 30
    assert one["aspect_ratio"].median() == pytest.approx(2.5, rel=0.2)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--um-per-px", "0"], "0 is not a size above 0"),
        (["--ecd-um", "nan"], "nan is not a size above 0"),
        (["--into", "f.tif", "--area-pct", "5"], "stands beside --into"),
    ],
)
def test_unusable_arguments(tmp_path, arguments, words):
    """One line, and no folder is made."""
    told = phantom("--out", tmp_path / "p", *arguments)
    assert isinstance(told.exception, UsageError)
    assert words in str(told.exception)
    assert not (tmp_path / "p").exists()


def test_a_full_folder_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("kept")
    told = phantom("--out", tmp_path)
    assert isinstance(told.exception, UsageError)
    assert "is not empty" in str(told.exception)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_an_etch_changes_the_picture_and_not_the_truth(tmp_path):
    """Bright rims add their light; carbides and their area stay where the seed put them."""
    for name, rim in (("plain", 0), ("rims", 0.5)):
        told = phantom("--out", tmp_path / name, "--fields", 1, "--etch", f"rim={rim}", "--etch", "jpeg=90", *SMALL)
        assert told.exit_code == 0, told.output
    truth = [pd.read_csv(tmp_path / name / "truth_fields.csv")["area_fraction"].to_list() for name in ("plain", "rims")]
    plain, rims = (tifffile.imread(tmp_path / name / "field-1.tif").mean() for name in ("plain", "rims"))
    assert truth[0] == truth[1]
    assert rims > plain + 1


def test_films_of_an_etch_are_part_of_the_truth(tmp_path):
    for name, etch in (("bare", "rim=0"), ("films", "film=3")):
        assert phantom("--out", tmp_path / name, "--fields", 1, "--etch", etch, *SMALL).exit_code == 0
    bare, films = (
        pd.read_csv(tmp_path / name / "truth_fields.csv")["area_fraction"].iloc[0] for name in ("bare", "films")
    )
    assert films > bare + 0.02


@pytest.mark.parametrize("etch", ["rust", "rim=much", "lath=nan", "jpeg=1000"])
def test_an_etch_that_is_none_is_refused(tmp_path, etch):
    """One line that names the option; nothing is drawn."""
    told = phantom("--out", tmp_path / "p", "--fields", 1, "--etch", etch, *SMALL)
    assert isinstance(told.exception, UsageError) and "--etch" in str(told.exception)
    assert not (tmp_path / "p").exists()
