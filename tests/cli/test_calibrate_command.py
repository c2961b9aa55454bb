"""`micro calibrate`: from the picture of a stage micrometer to lines on the terminal and a calibration file."""

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from invented_rulings import BRIGHT_FIELD, Micrometer, photograph_micrometer

from micro.cli import main
from micro.results import hash_of_file
from micro.scale.calibration import calibrate, read_calibration, write_calibration

SHAPE = (360, 480)
TRUTH = 0.4321


def grey(seed=1, light=BRIGHT_FIELD, **ruling):
    return photograph_micrometer(Micrometer(TRUTH, **ruling), SHAPE, light, np.random.default_rng(seed))


@pytest.fixture(scope="module")
def picture(tmp_path_factory):
    path = tmp_path_factory.mktemp("stage") / "50x.png"
    cv2.imwrite(str(path), grey(tilt_deg=2.5).astype(np.uint8))
    return path


def ended_with(*args):
    with pytest.raises(SystemExit) as ended:
        main(["calibrate", *map(str, args)])
    return ended.value.code


def printed(text):
    """Lines of the terminal by their first word."""
    return {line.split()[0]: line for line in text.splitlines()}


def test_it_prints_what_it_found_each_with_its_words(picture, capsys):
    """The scale of a rendered ruling with an interval that holds it; lines, tilt, residual and distortion."""
    assert ended_with(picture, "--pitch-um", 10) == 0
    said = capsys.readouterr()
    lines = printed(said.out)
    scale = lines["scale"].replace("(", " ").replace(")", " ").split()
    low, high = float(scale[scale.index("to") - 1]), float(scale[scale.index("to") + 1])
    assert float(scale[1]) == pytest.approx(TRUTH, rel=5e-4)
    assert low < TRUTH < high and "95 % interval" in lines["scale"]
    standard = float(lines["uncertainty"].split()[1])
    assert 1.9 < (high - low) / 2 / standard < 2.3  # normal or t with the lines, two figures printed
    assert "at 10 µm" in lines["lines"] and "left out" in lines["lines"]
    tilt, first, last = map(float, re.findall(r"([\d.]+)°", lines["tilt"]))
    assert tilt == pytest.approx(2.5, abs=max((last - first) / 2, 0.01)) and 0 < (last - first) / 2 < 0.1
    assert float(lines["largest"].split()[2]) < 0.5
    assert "none beyond scatter" in lines["distortion"]
    assert said.err == "" and "written" not in lines


def test_a_drifting_magnification_is_said(tmp_path, capsys):
    cv2.imwrite(str(tmp_path / "m.png"), grey(drift=0.02).astype(np.uint8))
    assert ended_with(tmp_path / "m.png", "--pitch-um", 10) == 0
    said = printed(capsys.readouterr().out)["distortion"]
    told = re.search(r"the magnification drifts by up to ([\d.]+) % \(([\d.]+) to [\d.]+ %\);", said)
    drift, low = map(float, told.groups())
    assert 0.5 < drift < 3
    assert drift - low < drift / 5


def test_the_file_holds_what_was_printed_and_where_it_came_from(picture, tmp_path, capsys):
    out = tmp_path / "50x.toml"
    assert ended_with(picture, "--pitch-um", 10, "--out", out) == 0
    found = read_calibration(out)
    said = capsys.readouterr().out
    printed_size = float(printed(said)["scale"].split()[1])
    assert printed_size == pytest.approx(found.um_per_px, abs=found.um_per_px_standard_uncertainty / 10)
    assert f"{found.lines} at 10 µm" in said
    assert said.endswith(f"written: {out}\n")
    assert (found.image, found.image_sha256) == ("50x.png", hash_of_file(picture))
    assert (found.image_width_px, found.image_height_px) == (SHAPE[1], SHAPE[0])
    assert abs(found.um_per_px - TRUTH) < 3 * found.um_per_px_standard_uncertainty


def crossing():
    one = grey(lengths_um=(300, 300, 300))[:, :360]
    return np.minimum(one, one.T)


@pytest.mark.parametrize(
    "unfit",
    [
        lambda: np.random.default_rng(4).normal(120, 10, SHAPE),
        lambda: grey(lines=3, light=replace(BRIGHT_FIELD, noise=5.0)),
        crossing,
    ],
    ids=["no ruling", "too few lines", "two rulings that cross"],
)
def test_a_picture_that_is_no_ruling_is_one_line_and_status_1(unfit, tmp_path, capsys):
    """The line names the picture, says what is wrong and what to do; an older calibration file stays as it was."""
    out = tmp_path / "old.toml"
    write_calibration(out, replace(calibrate(grey(), 10), image="m.png", image_sha256="0", date="2026-01-01"))
    kept = out.read_text()
    cv2.imwrite(str(tmp_path / "m.png"), unfit().astype(np.uint8))
    assert ended_with(tmp_path / "m.png", "--pitch-um", 10, "--out", out) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith(f"{tmp_path / 'm.png'}: ") and said.err.count("\n") == 1 and "; " in said.err
    assert out.read_text() == kept
    assert sorted(p.name for p in tmp_path.iterdir()) == ["m.png", "old.toml"]


def test_an_older_calibration_file_is_replaced_as_a_whole(picture, tmp_path):
    """One of a picture of the same name is; see tests/faults for what is not."""
    out = tmp_path / "50x.toml"
    write_calibration(out, replace(calibrate(grey(2), 9), image="50x.png", image_sha256="0", date="2026-01-01"))
    assert ended_with(picture, "--pitch-um", 10, "--out", out) == 0
    assert read_calibration(out).um_per_px == pytest.approx(TRUTH, rel=5e-4)
    assert [p.name for p in tmp_path.iterdir()] == ["50x.toml"]


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (["missing.png", "--pitch-um", "10"], 1),
        (["--pitch-um", "10"], 2),
        (["PICTURE"], 2),
        (["PICTURE", "--pitch-um", "ten"], 2),
        (["PICTURE", "--pitch-um", "-10"], 1),
        (["PICTURE", "--pitch-um", "10", "--out", "FOLDER"], 2),
        (["PICTURE", "--pitch-um", "10", "--out", "FOLDER/none/x.toml"], 1),
    ],
)
def test_unusable_arguments_end_without_a_traceback(arguments, status, picture, tmp_path, capsys):
    filled = [a.replace("PICTURE", str(picture)).replace("FOLDER", str(tmp_path)) for a in arguments]
    assert ended_with(*filled) == status
    said = capsys.readouterr().err
    assert said and "Traceback" not in said
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def barred(tmp_path):
    """Draw a picture with a bright bar of 100 px that stands for 20 µm: 0.2 µm per px."""
    drawn = np.random.default_rng(2).normal(110, 4, (200, 300)).round().clip(0, 255).astype(np.uint8)
    drawn[170:176, 150:250] = 255
    path = tmp_path / "f.png"
    cv2.imwrite(str(path), drawn)
    return path


def test_a_drawn_bar_gives_the_scale_with_what_its_two_ends_leave_open(barred, tmp_path, capsys):
    """100 px, each end ± half a pixel (rectangular): u = 0.2 · √2/√12/100; the file keeps it and names the method."""
    assert ended_with(barred, "--bar-um", 20, "--out", tmp_path / "s.toml") == 0
    assert "100.0 px long at x 150 to 250" in capsys.readouterr().out
    kept = read_calibration(tmp_path / "s.toml")
    assert kept.um_per_px == pytest.approx(0.2, rel=1e-3)
    assert kept.um_per_px_standard_uncertainty == pytest.approx(0.2 * (2 / 12) ** 0.5 / 100, rel=1e-3)
    assert kept.scale_for(300, 200).origin.startswith("drawn bar f.png, 20 µm")


def test_two_points_give_the_scale_where_no_bar_is_found(barred, capsys):
    """30, 40: 50 px for 25 µm."""
    assert ended_with(barred, "--points", "10,20,40,60", "--length-um", 25) == 0
    assert printed(capsys.readouterr().out)["scale"].split()[1].startswith("0.50")


@pytest.mark.parametrize(
    "given",
    [
        [], ["--pitch-um", 10, "--bar-um", 20], ["--points", "1,2,3,4"], ["--length-um", 10],
        ["--bar-um", 20, "--pitch-uncertainty-um", 0.1],
    ],
)  # fmt: skip
def test_anything_but_one_whole_way_is_refused(barred, given, capsys):
    """One line, exit status 2."""
    assert ended_with(barred, *given) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_a_picture_without_a_bar_and_points_that_are_none_are_refused(picture, barred, capsys):
    """One line that says what to do instead."""
    for arguments in ((picture, "--bar-um", 20), (barred, "--points", "1,2,3", "--length-um", 9),
                      (barred, "--points", "1,2,3,999", "--length-um", 9), (barred, "--bar-um", -1)):  # fmt: skip
        assert ended_with(*arguments) != 0
        assert len(capsys.readouterr().err.splitlines()) == 1


def test_the_certificate_of_the_micrometer_enters_the_uncertainty(picture, tmp_path):
    """A pitch of 10 ± 0.05 µm: half a percent, in quadrature with what the picture gives."""
    for name, more in (("a", ()), ("b", ("--pitch-uncertainty-um", 0.05))):
        ended_with(picture, "--pitch-um", 10, *more, "--out", tmp_path / f"{name}.toml")
    bare, told = (read_calibration(tmp_path / f"{name}.toml") for name in "ab")
    assert told.um_per_px == bare.um_per_px
    both = np.hypot(bare.um_per_px_standard_uncertainty, 0.005 * bare.um_per_px)
    assert told.um_per_px_standard_uncertainty == pytest.approx(both)


def test_a_second_picture_turned_by_a_quarter_tells_the_shape_of_a_pixel(picture, tmp_path, capsys):
    """Drawn with square pixels: said, and kept with the name and hash of both pictures."""
    turned, out = tmp_path / "50x-turned.png", tmp_path / "50x.toml"
    across = photograph_micrometer(Micrometer(TRUTH), SHAPE[::-1], BRIGHT_FIELD, np.random.default_rng(2))
    cv2.imwrite(str(turned), np.rot90(across).astype(np.uint8))
    assert ended_with(picture, "--pitch-um", 10, "--turned", turned, "--out", out) == 0
    shape, low, high = map(float, re.findall(r"\d\.\d+", printed(capsys.readouterr().out)["pixels"]))
    assert low < shape < high and shape == pytest.approx(1, abs=5e-4)
    kept = read_calibration(out)
    assert kept.pixel_height_over_width == pytest.approx(shape, abs=1e-5)
    assert (kept.turned_image, kept.turned_image_sha256) == (turned.name, hash_of_file(turned))
    assert "times as high as wide" in kept.scale_for(SHAPE[1], SHAPE[0]).origin


def test_a_second_picture_that_cannot_tell_is_named(picture, barred, capsys):
    """The same picture again has its lines in the same direction; a drawn bar has no pitch."""
    assert ended_with(picture, "--pitch-um", 10, "--turned", picture) == 1
    assert capsys.readouterr().err.startswith(f"{picture}: shows its lines in the same direction")
    assert ended_with(barred, "--bar-um", 20, "--turned", picture) == 2
    assert "--turned: needs --pitch-um" in capsys.readouterr().err
