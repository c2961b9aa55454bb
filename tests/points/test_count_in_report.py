"""The report shows the points at which counters and program part, as they were judged."""

import cv2
import numpy as np
import pytest

from micro import results
from micro.batch.fields import pictures_of
from micro.figures.style import styled
from micro.points.agreement import compare_count
from micro.points.tally import read_tallies
from micro.report.page import PageFigure
from micro.report.people_sections import BEYOND_EDGE, CROP_PX, MAGNIFIED, MOST_PICTURES, marked_crop, point_sections
from micro.report.record import read_run

OUTLINE = (40, 80, 120)


@pytest.fixture
def folder(study, tmp_path):
    """Results folder of a perfect measurement, with pictures of the outlines."""
    out = study.write_results(tmp_path / "r")
    (out / results.OUTLINES).mkdir()
    for specimen, field in study.labels:
        labels = study.labels[specimen, field]
        shown = np.where((labels > 0)[..., None], OUTLINE, 90).astype(np.uint8)
        cv2.imwrite(str(out / results.OUTLINES / f"{specimen}-{field}.png"), shown)
    return out


def unsaved(name, columns, height_in, draw, caption, alternative):
    """Draw the figure of the count, and write nothing."""
    with styled(columns, height_in) as (_, axes):
        draw(axes)
    return PageFigure(name, bytes, caption, alternative)


def sections(study, folder, *counted):
    paths = [study.tally_file(folder / f"t{n}.csv", table) for n, table in enumerate(counted)]
    agreement = compare_count(read_tallies(paths), folder, pictures_of(read_run(folder).outcomes), 10.0)
    return point_sections(agreement, folder, unsaved), agreement


def point_files(folder):
    return sorted(p.name for p in (folder / "figures" / "points").glob("*.png"))


def test_points_that_differ_are_shown_and_told(study, folder):
    """At most twelve pictures, each with the point, what was counted and what is outlined there."""
    rng = np.random.default_rng(1)
    (_, apart), agreement = sections(study, folder, study.count(study.sheet(), misjudged=0.5, rng=rng))
    assert len(apart.pictures) == MOST_PICTURES
    assert point_files(folder) == [f"{number:02d}.png" for number in range(1, MOST_PICTURES + 1)]
    judged = agreement.judged.set_index(["specimen", "field", "point"])
    words = {0.0: "out", 0.5: "boundary", 1.0: "in"}
    for picture in apart.pictures:
        place, said = picture.caption.split(": ")
        specimen, field, _, point = place.replace(",", "").split()
        row = judged.loc[(specimen, field, int(point))]
        assert said == f"counted {words[row['score']]}, outlined {words[row['own_score']]}"
        assert picture.caption in picture.alternative


def test_several_counters_are_told_by_their_mean(study, folder):
    rng, sheet = np.random.default_rng(2), study.sheet()
    (count, apart), _ = sections(
        study, folder, *(study.count(sheet, who, misjudged=0.6, rng=rng) for who in ("ab", "cd", "ef"))
    )
    assert all("on average, outlined" in picture.caption for picture in apart.pictures)
    (said,) = [lines for heading, lines in count.lists if heading == "In words"]
    assert sum("agreement beyond chance" in line for line in said) == 4  # three pairs, and all together


def test_a_lost_outline_picture_costs_its_points_only(study, folder):
    """The others are shown."""
    (folder / results.OUTLINES / "A-f1.png").unlink()
    rng = np.random.default_rng(1)
    (_, apart), _ = sections(study, folder, study.count(study.sheet(), misjudged=0.2, rng=rng))
    assert apart.pictures
    assert not [p for p in apart.pictures if p.caption.startswith("A f1,")]


@pytest.mark.parametrize(("x", "y"), [(100.5, 60.5), (0.5, 0.5), (239.5, 60.2)])
def test_the_cross_is_open_about_the_pixel_that_was_judged(x, y):
    """The pixel of the point stands in the middle, unmarked; beyond the picture's edge the crop is blank."""
    picture = np.full((180, 240, 3), 90, np.uint8)
    picture[int(y), int(x)] = (0, 0, 255)
    shown = marked_crop(picture, x, y)
    assert shown.shape == (CROP_PX * MAGNIFIED, CROP_PX * MAGNIFIED, 3)
    marked = (shown == (0, 0, 255)).all(axis=2)
    assert marked.sum() == MAGNIFIED**2
    assert np.argwhere(marked).mean(axis=0) == pytest.approx([CROP_PX * MAGNIFIED / 2 + MAGNIFIED / 2 - 0.5] * 2)
    blank = (shown == BEYOND_EDGE).all(axis=2)
    assert blank[0, 0] == (x < CROP_PX / 2)
    assert blank[128, -1] == (x > 240 - CROP_PX / 2)
