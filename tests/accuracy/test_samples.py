"""The sample study against what was drawn into it."""

from pathlib import Path

import pandas as pd
import pytest
from bars import measure

from micro.image.reading import read
from micro.segmentation.segmentation import SegmentationSettings
from micro.specimens.summary import summarise

SAMPLES = Path(__file__).parents[2] / "samples"
FIELDS = pd.read_csv(SAMPLES / "truth_fields.csv")
SPECIMENS = pd.read_csv(SAMPLES / "truth_specimens.csv").query("carbide_class == 'all'").set_index("specimen")
CLASSES = {"A": ("M7C3",), "B": ("MC",), "C": ("M7C3", "MC")}
ROLLING_DEG = {"A": 0.0, "B": 0.0, "C": 17.0}
DRAWN = {"area_fraction": "area_fraction", "number_per_mm2": "number_per_mm2", "mean_ecd": "mean_ecd_um"}


@pytest.fixture(scope="module", params=["A", "B", "C"])
def bar(request):
    """Name of a bar, and tables of the carbides and fields of its eight pictures."""
    settings = SegmentationSettings("bright", CLASSES[request.param])
    truth = FIELDS[(FIELDS["specimen"] == request.param) & (FIELDS["carbide_class"] == "all")]
    folder = SAMPLES / f"bar-{request.param.lower()}"
    found = [
        measure(read(folder / f"{row.field}.tif").grey, row.field, settings, row.um_per_px, ROLLING_DEG[request.param])
        for row in truth.itertuples()
    ]
    particles, fields = (pd.concat(tables, ignore_index=True) for tables in zip(*found, strict=True))
    return request.param, particles, fields


def test_area_fraction_of_each_field_within_3_percent(bar):
    """Of all carbides together; scratches, pits and dust lie on the fields and are no carbide."""
    name, _, fields = bar
    truth = FIELDS[(FIELDS["specimen"] == name) & (FIELDS["carbide_class"] == "all")].set_index("field")
    found = fields[fields["carbide_class"] == "all"].set_index("field")["area_fraction"]
    off = found / truth["area_fraction"] - 1
    print(off.round(3).to_dict())
    assert (off.abs() <= 0.03).all()


def test_intervals_hold_what_was_drawn(bar):
    """Area fraction, number and mean diameter of the eight fields, and the area fraction of the endless bar."""
    name, particles, fields = bar
    table = summarise(particles, fields, 0.001)
    rows = table[table["carbide_class"] == "all"].set_index("quantity")
    for quantity, column in DRAWN.items():
        row = rows.loc[quantity]
        print(name, quantity, row["ci95_low"], SPECIMENS.loc[name, column], row["ci95_high"])
        assert row["ci95_low"] <= SPECIMENS.loc[name, column] <= row["ci95_high"], quantity
    whole = SPECIMENS.loc[name, "area_fraction_of_bar"]
    assert rows.loc["area_fraction", "ci95_low"] <= whole <= rows.loc["area_fraction", "ci95_high"]
