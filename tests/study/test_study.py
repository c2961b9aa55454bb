"""The study file is read as written, and every slip in it is named with its key and line."""

from pathlib import Path

import numpy as np
import pytest
import tifffile

from micro.errors import UsageError
from micro.image.micrograph import Box, Crop
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Specimen, study_of_images
from micro.study.reader import read_study

GOOD = """\
title = "Two bars"
um_per_px = 0.25
min_area_px = 9

[[specimen]]
name = "K"
route = "conventional"
plane = "longitudinal"
rolling_deg = 12.5
images = ["k/*.tif"]
[[specimen.class]]
name = "M7C3"
[specimen.composition]
C = 1.5

[[specimen]]
name = "P"
images = ["p/one.tif", "p/two.tif"]
carbides = "bright"
[[specimen.field]]
image = "p/two.tif"
min_area_px = 20
"""
CLASS = '[[specimen.class]]\nname = "M7C3"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("k/a.tif", "k/b.tif", "p/one.tif", "p/two.tif"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        tifffile.imwrite(tmp_path / name, np.zeros((40, 50), np.uint8))
    return tmp_path


def written(folder: Path, text: str) -> Path:
    path = folder / "study.toml"
    path.write_text(text)
    return path


def test_reads_what_is_written(folder):
    study = read_study(written(folder, GOOD))
    first, second = study.specimens
    assert (study.title, first.name, first.route, first.rolling_deg) == ("Two bars", "K", "conventional", 12.5)
    assert [f.name for f in first.fields] == ["a", "b"]
    assert first.um_per_px == 0.25
    assert first.composition == {"C": 1.5}
    assert first.fields[0].settings.class_names == ("M7C3",)
    assert [f.settings.min_area_px for f in second.fields] == [9, 20]
    assert {f.settings.carbides for f in second.fields} == {"bright"}


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("rolling_deg = 12.5", "roling_deg = 12.5", 9, "key 'roling_deg': unknown key; write 'rolling_deg'"),
        ("rolling_deg = 12.5", "rolling_deg = 190", 9, "must be a number from 0 to 180"),
        ("rolling_deg = 12.5", 'rolling_deg = "flat"', 9, "must be a number from 0 to 180"),
        ("um_per_px = 0.25", "um_per_px = -1", 2, "must be a number of µm from 1e-05 to 50"),
        ('carbides = "bright"', 'carbides = "light"', 19, "must be one of auto, bright, dark"),
        ("min_area_px = 20", "min_area = 20", 22, "key 'min_area': unknown key"),
        ("C = 1.5", "C = 1.5\nplane = 3", 15, "key 'plane': is no element of steel; it belongs above"),
        (CLASS, CLASS + "rolling_deg = 3\n", 13, "key 'rolling_deg': unknown key; it belongs above"),
        ("C = 1.5", "C = -1.5", 14, "key 'C': must be a wt % from 0 to 100, got -1.5"),
        ('name = "P"', 'name = "K"', 17, "is given twice"),
        ('images = ["k/*.tif"]', 'images = ["k/*.png"]', 10, "no picture matches k/*.png"),
        ('images = ["k/*.tif"]', 'images = ["../*.tif"]', 10, "lies outside the study's folder"),
        ('images = ["k/*.tif"]', 'images = ["/etc/*.tif"]', 10, "lies outside the study's folder"),
        ('image = "p/two.tif"', 'image = "k/a.tif"', 21, "is not among the specimen's images"),
        ('name = "M7C3"', 'nam = "M7C3"', 12, "key 'nam': unknown key"),
        ('name = "M7C3"', 'name = "all"', 11, "class names must differ and not be 'all'"),
        (CLASS, CLASS + CLASS, 11, "class names must differ"),
        (CLASS, CLASS + '[[specimen.class]]\nname = "MC"\ngrey = 9\n', 11, "some classes give a grey and some do not"),
        ('images = ["k/*.tif"]', 'images = ["k/**.tif"]', 10, "is not a usable pattern"),
        ('images = ["k/*.tif"]', 'images = ["k\\u0000/a.tif"]', 10, "must be a list of picture paths"),
        ('image = "p/two.tif"', 'image = "\\u0000"', 21, "must be a path within"),
        ("min_area_px = 9", 'reference = "Q"', 3, "key 'reference': 'Q' is no specimen of this study"),
        ('"conventional"', '"forged"', 7, "must be one of conventional, powder-metallurgy"),
    ],
)
def test_names_the_key_and_its_line(folder, old, new, line, words):
    path = written(folder, GOOD.replace(old, new))
    with pytest.raises(UsageError) as trouble:
        read_study(path)
    assert words in str(trouble.value)
    assert f"line {line}:" in str(trouble.value)


@pytest.mark.parametrize(("old", "now"), [("ingot-cast", "conventional"), ("powder-made", "powder-metallurgy")])
def test_earlier_words_for_a_route_are_still_read(folder, old, now):
    study = read_study(written(folder, GOOD.replace('"conventional"', f'"{old}"')))
    assert study.specimens[0].route == now


CARBIDE = """
[[carbide]]
name = "M7C3"
density_g_cm3 = [7.0, 7.1]
[carbide.composition]
Cr = [45, 50]
"""


def test_reads_ranges_of_carbides_and_the_reference(folder):
    study = read_study(written(folder, 'reference = "P"\n' + GOOD + CARBIDE))
    assert study.reference == "P"
    (own,) = study.carbides
    assert (own.name, own.density_g_cm3, own.contents) == ("M7C3", (7.0, 7.1), {"Cr": (45.0, 50.0)})


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("[45, 50]", "[50, 45]", 28, "key 'Cr': must be two wt %, the least and the most"),
        ("[45, 50]", "[45]", 28, "key 'Cr': must be two wt %"),
        ("[45, 50]", "[45, 150]", 28, "key 'Cr': must be two wt %"),
        ("Cr =", "Fe =", 28, "key 'Fe': unknown key; known here: C, Cr, Mo, W, V, Nb"),
        ("[7.0, 7.1]", "[7.0, 71]", 26, "must be two densities in g/cm³"),
        ('"M7C3"\ndensity', '"chi"\ndensity', 25, "lacks its density or carbon"),
    ],
)
def test_a_slip_in_the_ranges_of_a_carbide_is_named(folder, old, new, line, words):
    path = written(folder, GOOD + CARBIDE.replace(old, new))
    with pytest.raises(UsageError) as trouble:
        read_study(path)
    assert words in str(trouble.value)
    assert f"line {line}:" in str(trouble.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no specimen"),
        ("= 3", "is not valid TOML: "),
        ('[[specimen]]\nname = "A"', "key 'images' is missing"),
    ],
)
def test_refuses_what_is_no_study(folder, text, words):
    with pytest.raises(UsageError, match=words):
        read_study(written(folder, text))


def test_a_missing_file_is_one_line(tmp_path):
    with pytest.raises(UsageError, match=r"cannot be read \(No such file or directory\)"):
        read_study(tmp_path / "none.toml")


def test_a_file_that_is_no_text_is_one_line(tmp_path):
    (tmp_path / "study.toml").write_bytes(b"title = '\xff'")
    with pytest.raises(UsageError, match="is not UTF-8 text; save the study file as UTF-8"):
        read_study(tmp_path / "study.toml")


def test_a_link_in_a_circle_is_no_path(folder):
    (folder / "ring").symlink_to("ring")
    with pytest.raises(UsageError, match=r"'ring/a\.tif' is not a usable path; give a plain path"):
        read_study(written(folder, GOOD.replace('images = ["k/*.tif"]', 'images = ["ring/a.tif"]')))


def test_a_link_that_leaves_the_folder_is_refused(folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "x.tif"
    outside.write_bytes((folder / "k/a.tif").read_bytes())
    (folder / "k/link.tif").symlink_to(outside)
    with pytest.raises(UsageError, match="outside the study's folder"):
        read_study(written(folder, GOOD))
    assert len(read_study(folder / "study.toml", [outside.parent]).specimens[0].fields) == 3


def test_two_pictures_of_one_name_get_names_of_their_own(tmp_path):
    """Columns and files tell the fields apart, and a line says so."""
    images = [tmp_path / "x" / "f.tif", tmp_path / "y" / "f.tif", tmp_path / "f.png"]
    study = study_of_images(images, Specimen("s", ()), SegmentationSettings())
    assert [f.name for f in study.specimens[0].fields] == ["f", "f-2", "f-3"]
    assert len(study.messages) == 2
    assert "it is called f-2" in study.messages[0]


@pytest.mark.parametrize("name", ['quo"te', "new\nline", "<script>", "=1+1", "ü" * 200, "..", "a:b"])
def test_file_names_are_safe_and_distinct(name, tmp_path):
    images = [tmp_path / "x" / (name + ".tif"), tmp_path / "y" / (name.upper() + ".tif")]
    stems = [f.stem for f in study_of_images(images, Specimen("s", ()), SegmentationSettings()).specimens[0].fields]
    assert len({s.casefold() for s in stems}) == 2
    for stem in stems:
        assert Path(stem).name == stem
        assert len(stem.encode()) <= 140
        assert stem.isprintable()


def test_shared_names_in_two_specimens_do_not_share_files(folder):
    text = GOOD.replace('images = ["k/*.tif"]', 'images = ["p/one.tif"]')
    study = read_study(written(folder, text))
    stems = [f.stem for s in study.specimens for f in s.fields]
    assert stems == ["K-one", "P-one", "two"]


def test_sides_and_boxes_reach_the_fields(tmp_path):
    """Of two keys for cutting the nearer one counts; boxes of the specimen give way to those of the field."""
    for name in "ab":
        (tmp_path / f"{name}.png").write_bytes(b"x")
    (tmp_path / "s.toml").write_text(
        'crop_px = {top = 3}\num_per_px = 0.2\num_per_px_uncertainty = 0.001\n[[specimen]]\nname = "A"\n'
        'images = ["a.png", "b.png"]\n[[specimen.field]]\nimage = "b.png"\ncrop_bottom_px = 5\n'
        "leave_out = [{x = 1, y = 2, width = 3, height = 4}]\n"
    )
    (specimen,) = read_study(tmp_path / "s.toml").specimens
    first, second = specimen.fields
    assert (first.crop_px, first.leave_out) == (Crop(top=3), ())
    assert (second.crop_px, second.crop_bottom_px, second.leave_out) == (None, 5, (Box(1, 2, 3, 4),))
    assert specimen.um_per_px_uncertainty == 0.001


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("crop_px = {top = -1}", "must be a whole number, 0 or more"),
        ("crop_px = {above = 1}", "unknown key"),
        ("leave_out = [{x = 1, y = 2, width = 0, height = 4}]", "must be a whole number, 1 or more"),
        ("leave_out = [{x = 1, y = 2}]", "is missing"),
        ("leave_out = 3", "must be a list of tables"),
    ],
)
def test_a_wrong_side_or_box_is_refused_with_its_line(tmp_path, line, said):
    """One line that names the file, the line and what is wrong."""
    (tmp_path / "a.png").write_bytes(b"x")
    (tmp_path / "s.toml").write_text(f'{line}\n[[specimen]]\nname = "A"\nimages = ["a.png"]\n')
    with pytest.raises(UsageError, match=said):
        read_study(tmp_path / "s.toml")
