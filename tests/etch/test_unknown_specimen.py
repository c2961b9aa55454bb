"""Fields that cannot be told, from picture to report: empty values, honest bounds, and a specimen that says so."""

from __future__ import annotations

import cv2
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from other_generator import picture

from micro.cli import group

SHAPE = (256, 256)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory):
    """Paths of three sound fields and of two whose laths hide them, and the true fractions."""
    folder, truth = tmp_path_factory.mktemp("fields"), {}
    for name, words in (("s1", {}), ("s2", {}), ("s3", {}), ("l1", {"lath": 0.6}), ("l2", {"lath": 0.6})):
        grey, truth[name] = picture(SHAPE, seed=len(truth) + 20, **words)
        cv2.imwrite(str(folder / f"{name}.png"), grey.astype(np.uint8))
    return folder, truth


def measured(pictures, names, out):
    """Tables of fields and of the specimen, what was told, and the page."""
    folder, _ = pictures
    paths = [str(folder / f"{name}.png") for name in names]
    told = CliRunner().invoke(group, ["measure", *paths, "--um-per-px", "0.2", "--carbides", "auto", "--out", str(out)])
    assert told.exit_code == 0, told.output
    fields, specimens = (pd.read_csv(out / f"{name}.csv") for name in ("fields", "specimens"))
    fields = fields[fields["carbide_class"] == "all"].set_index("field")
    row = specimens[(specimens["quantity"] == "area_fraction") & (specimens["carbide_class"] == "all")].iloc[0]
    return fields, row, told.output, (out / "report.html").read_text()


def test_a_specimen_of_which_too_many_fields_are_unknown_is_unknown(pictures, tmp_path):
    """Two of four fields: no mean, and bounds that hold the true mean; page and terminal say it."""
    names = ("s1", "s2", "l1", "l2")
    fields, row, told, page = measured(pictures, names, tmp_path / "out")
    true = np.mean([pictures[1][name] for name in names])
    assert fields.loc[["l1", "l2"], "area_fraction"].isna().all()
    assert (fields.loc[["l1", "l2"], "area_fraction_high"] > 0.08).all()
    assert fields.loc[["l1", "l2"], "flags"].str.contains("unknown").all()
    assert np.isnan(row["mean"]) and row["ci95_low"] <= true <= row["ci95_high"]
    assert "unknown" in told and "unknown" in page


def test_one_unknown_field_of_four_leaves_the_specimen_known(pictures, tmp_path):
    """The mean is that of the three others, and holds their truth."""
    fields, row, _, _ = measured(pictures, ("s1", "s2", "s3", "l1"), tmp_path / "out")
    assert fields["area_fraction"].isna().sum() == 1
    assert row["mean"] == pytest.approx(fields["area_fraction"].mean(), rel=0.02)
    assert row["ci95_low"] <= np.mean([pictures[1][name] for name in ("s1", "s2", "s3")]) <= row["ci95_high"]
