"""The files under samples/ are what the program draws, and their truths add up."""

from dataclasses import replace
from pathlib import Path

import invented_study as samples
import numpy as np
import pandas as pd
import pytest
import tifffile

from micro.phantom.picture import Damage, field_rows

FOLDER = Path(__file__).parents[2] / "samples"
CSV_FIGURES = 5e-6


def test_a_picture_is_what_the_program_draws():
    """Pixel by pixel, with the rows of its truth."""
    grey, truth = samples.sample_field("C", 1)
    assert np.array_equal(tifffile.imread(FOLDER / "bar-c" / "c1.tif"), grey.astype(np.uint8))
    kept = pd.read_csv(FOLDER / "truth_fields.csv").query("specimen == 'C' and field == 'c1'")
    drawn = pd.DataFrame(field_rows(truth, samples.BARS["C"].class_names, samples.UM_PER_PX))
    pd.testing.assert_frame_equal(
        kept[drawn.columns].reset_index(drop=True), drawn, check_dtype=False, rtol=CSV_FIGURES
    )


def test_truth_of_the_bars_follows_from_that_of_the_fields():
    """Means over fields, and over carbides for sizes and shapes."""
    means = samples.specimen_means(pd.read_csv(FOLDER / "truth_fields.csv"))
    kept = pd.read_csv(FOLDER / "truth_specimens.csv")
    pd.testing.assert_frame_equal(means, kept, check_dtype=False, rtol=CSV_FIGURES)


def test_coupons_are_those_of_the_file():
    pd.testing.assert_frame_equal(pd.DataFrame(samples.coupons()), pd.read_csv(FOLDER / "coupons.csv"))


def test_the_folder_is_written_whole(tmp_path, monkeypatch):
    """Every bar's pictures and all tables, drawn small; what the bar should hold is the sum of its populations."""
    monkeypatch.setattr(samples, "SHAPE", (192, 256))
    monkeypatch.setattr(samples, "FIELDS", 1)
    plain = {name: replace(scene, damage=Damage()) for name, scene in samples.BARS.items()}
    monkeypatch.setattr(samples, "BARS", plain)
    samples.write_samples(tmp_path)
    names = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    pictures = {f"bar-{bar}/{bar}1.tif" for bar in "abc"}
    assert names == pictures | {"coupons.csv", "truth_fields.csv", "truth_specimens.csv"}
    bars = pd.read_csv(tmp_path / "truth_specimens.csv").set_index(["specimen", "carbide_class"])
    assert bars.loc[("C", "all"), "area_fraction_of_bar"] == pytest.approx(0.031 + 0.010)
    assert bars.loc[("C", "MC"), "area_fraction_of_bar"] == pytest.approx(0.010)
