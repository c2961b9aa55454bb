"""A mosaic is measured part by part, each carbide once and whole."""

import numpy as np
import pytest
import tifffile

from micro.errors import InputError
from micro.image import micrograph as mosaic
from micro.image.micrograph import sub_fields
from micro.image.reading import read
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.report.wording import mosaic_sentences
from micro.results import read_table
from micro.run.study import run_study
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Specimen, study_of_images
from micro.tables.columns import FIELDS, MOSAICS, PARTICLES, SPECIMENS, names

SHAPE = (900, 1100)


@pytest.fixture(scope="module")
def stitched(tmp_path_factory):
    """Tiled TIFF of an invented mosaic, and its truth."""
    path = tmp_path_factory.mktemp("mosaic") / "mosaic.tif"
    scene = Scene((Population(0.08, 12.0),), optics=Optics(100, (200,), noise=4.0, shading=0.0))
    grey, truth = make_field(scene, SHAPE, np.random.default_rng(3))
    tifffile.imwrite(path, grey.astype(np.uint8), tile=(128, 160), compression="zlib")
    return path, grey, truth


def measured(path, out):
    """Study of the picture, its carbides and its fields."""
    specimen = Specimen("bar", (), um_per_px=0.5, rolling_deg=0.0)
    study = study_of_images([path], specimen, SegmentationSettings(carbides="bright"))
    ending = run_study(study, out, 1, lambda outcome: None)
    assert ending.failed == 0
    return study, read_table(out / "particles.csv", names(PARTICLES)), read_table(out / "fields.csv", names(FIELDS))


@pytest.fixture(scope="module")
def in_parts(stitched, tmp_path_factory):
    """Results folder of the picture cut into parts, and what was measured; only to be read."""
    out = tmp_path_factory.mktemp("parts")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("micro.study.model.SMALLEST_MOSAIC_BYTES", 0)
        patch.setattr(mosaic, "LARGEST_FIELD_PX", 300_000)
        patch.setattr(mosaic.sub_fields, "__defaults__", (400, 64))
        return out, *measured(stitched[0], out)


def test_parts_tile_the_mosaic_without_gap_or_overlap():
    """Every pixel of a mosaic lies in the core of one sub-field."""
    hits = np.zeros(SHAPE, int)
    for row in sub_fields(*SHAPE, 400, 64):
        for part in row:
            hits[part.top : part.bottom, part.left : part.right] += 1
    assert np.all(hits == 1)


def test_a_part_reads_what_the_whole_holds(stitched):
    """Only the tiles that a part touches are decoded, and they are those of the whole picture."""
    path, grey, _ = stitched
    for row in sub_fields(*SHAPE, 400, 64):
        for part in row:
            top, left, bottom, right = part.frame
            found = read(path, sub_field=part)
            assert np.array_equal(found.grey, grey[top:bottom, left:right])
            assert np.array_equal(
                found.cropped(part.core_in_frame).grey, grey[part.top : part.bottom, part.left : part.right]
            )


def test_a_mosaic_gives_the_table_of_the_whole(stitched, in_parts, tmp_path, without_pages):
    """Each carbide of the picture in one piece is found once, at its place, with its size to 3 % in the median."""
    _, whole, whole_fields = measured(stitched[0], tmp_path)
    _, study, parts, fields = in_parts
    assert len(study.specimens[0].fields) == 9
    assert len(parts) == pytest.approx(len(whole), rel=0.01)
    far = np.hypot(
        parts["x_um"].to_numpy()[:, None] - whole["x_um"].to_numpy(),
        parts["y_um"].to_numpy()[:, None] - whole["y_um"].to_numpy(),
    )
    nearest = far.argmin(axis=1)
    near = far[np.arange(len(parts)), nearest] < 0.5
    assert near.mean() > 0.98
    assert len(set(nearest[near])) == near.sum()
    ratio = parts["area_um2"].to_numpy()[near] / whole["area_um2"].to_numpy()[nearest[near]]
    assert np.median(np.abs(ratio - 1)) < 0.03
    area = fields.loc[fields["carbide_class"] == "all", ["area_fraction", "analysed_area_um2"]].prod(axis=1).sum()
    every = whole_fields[whole_fields["carbide_class"] == "all"].iloc[0]
    assert area == pytest.approx(every["area_fraction"] * every["analysed_area_um2"], rel=0.01)


@pytest.mark.parametrize(
    ("rows", "columns", "cut"),
    [
        (slice(0, 30), slice(60, 70), True),  # from the frame's upper side into the core
        (slice(6, 30), slice(60, 70), True),  # nearly from there: its light may not be whole
        (slice(10, 30), slice(60, 70), False),  # whole
        (slice(0, 15), slice(10, 150), False),  # beside the core: a neighbour answers for it
        (slice(100, 200), slice(60, 70), False),  # ends at the side of the mosaic, as on any picture
        (slice(180, 200), slice(0, 100), True),
    ],
)
def test_what_the_margin_cuts(rows, columns, cut):
    """A carbide that reaches from the core to a side of the frame where the mosaic goes on is not whole there."""
    part = sub_fields(400, 400, 200, 20)[1][1]
    labels = np.zeros((220, 220), np.int32)
    labels[rows, columns] = 7
    assert part.core_in_frame == (slice(20, 220), slice(20, 220))
    assert part.cuts(labels) == cut


def test_a_carbide_larger_than_the_narrow_margin_is_measured_whole(tmp_path, monkeypatch, without_pages):
    """One carbide of 300 × 40 px lies across a seam, among small ones; every part reads as far as it needs."""
    scene = Scene((Population(0.03, 12.0),), optics=Optics(100, (200,), noise=4.0, shading=0.0))
    grey, _ = make_field(scene, (560, 900), np.random.default_rng(4))
    grey[230:330, 300:640] = grey[:100, :340].clip(None, 104)
    grey[260:300, 320:620] = 200
    path = tmp_path / "mosaic.tif"
    tifffile.imwrite(path, grey.astype(np.uint8))
    monkeypatch.setattr("micro.study.model.SMALLEST_MOSAIC_BYTES", 0)
    monkeypatch.setattr(mosaic, "LARGEST_FIELD_PX", 300_000)
    monkeypatch.setattr(mosaic.sub_fields, "__defaults__", (450, 256))
    _, particles, _ = measured(path, tmp_path / "out")
    (large,) = particles[particles["feret_max_um"] > 50].to_dict("records")
    assert large["length_along_um"] == pytest.approx(150, rel=0.02)
    assert large["touches_edge"] == 0
    monkeypatch.setattr(mosaic.SubField, "cuts", lambda self, labels: False)
    _, cut, _ = measured(path, tmp_path / "cut")
    assert cut["length_along_um"].max() < 130 or cut["touches_edge"].sum() > particles["touches_edge"].sum()


def test_a_mosaic_has_intervals(stitched, in_parts):
    """Its sub-fields are the fields between which the scatter is taken."""
    rows = read_table(in_parts[0] / "specimens.csv", names(SPECIMENS)).set_index(["carbide_class", "quantity"])
    fraction = rows.loc[("all", "area_fraction")]
    assert fraction["fields"] == 9
    assert fraction["ci95_low"] < stitched[2].area_fraction.sum() < fraction["ci95_high"]


def test_a_changed_mosaic_is_refused(stitched, in_parts, tmp_path):
    """A part of a mosaic that is no longer of its size is a trouble, not a wrong number."""
    _, grey, _ = stitched
    smaller = tmp_path / "mosaic.tif"
    tifffile.imwrite(smaller, grey[:-100].astype(np.uint8))
    part = in_parts[1].specimens[0].fields[0].sub_field
    with pytest.raises(InputError, match="no TIFF mosaic of the size"):
        read(smaller, sub_field=part)


def test_a_mosaic_is_tested_for_bands_as_a_whole(in_parts):
    """Nine parts of an even structure: one row, no bands beyond chance, and the line that says so."""
    out, _, particles, fields = in_parts
    (row,) = read_table(out / "mosaics.csv", names(MOSAICS)).to_dict("records")
    assert (row["image"], row["parts"], row["parts_used"]) == ("mosaic.tif", len(fields) // 2, len(fields) // 2)
    assert row["particles"] == len(particles)
    assert row["extent_um"] == pytest.approx(0.5 * SHAPE[0], rel=0.02)
    assert row["band_p_value"] > 0.025
    (told,) = mosaic_sentences(out)
    assert told.startswith("bar: mosaic mosaic.tif, ")
    assert f"no banding beyond chance at spacings from {row['band_shortest_um']:.0f} µm on" in told
    assert told in (out / "report.html").read_text(encoding="utf8")


def test_narrower_bands_of_the_parts_are_said_beside_the_whole(in_parts, tmp_path):
    """What the whole is too coarse to show must not read as if nothing were banded."""
    table = read_table(in_parts[0] / "mosaics.csv", names(MOSAICS)).assign(parts_banded=8)
    table.to_csv(tmp_path / "mosaics.csv", index=False)
    (told,) = mosaic_sentences(tmp_path)
    assert told.endswith("; 8 of these parts are banded on their own (0 by chance).")
