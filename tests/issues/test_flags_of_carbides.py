"""Flags of carbides: words of bits in the segmentation, names in particles.csv; each rule behind them is one."""

import pandas as pd
from invented_fields import plain

from micro.issues import CARBIDE_FLAGS, bit, flag_names
from micro.measures.particles import measure_particles
from micro.segmentation.blurred_shapes import resolved_diameter_px
from micro.segmentation.stages import segment
from micro.tables.columns import flagged


def test_flags_of_carbides_are_found_by_name():
    """By whole names; an empty cell, also one that was never filled, holds none."""
    everything = sum(bit(flag.name) for flag in CARBIDE_FLAGS)
    assert flag_names(everything) == [flag.name for flag in CARBIDE_FLAGS]
    column = pd.Series(["edge small", "smaller", "", None, "small"])
    for flags in (column, column.astype("category")):
        assert flagged(flags, "small").tolist() == [True, False, False, False, True]
    assert flagged(pd.Series([], dtype=str), "small").tolist() == []


def test_small_is_one_rule():
    """What the segmentation calls small is what the table does: a diameter below the resolved one, no other size."""
    grey = plain(4, share=0.06, ecd_px=6.0).photographed()
    found = segment(grey)
    table = measure_particles(found, grey, 0.0)
    below = table["ecd_px"].to_numpy() < resolved_diameter_px(found.blur_px)
    assert 0.05 < below.mean() < 0.95
    assert flagged(table["flags"], "small").tolist() == below.tolist() == found.small.tolist()
    assert (found.flag_words & bit("small") > 0).tolist() == below.tolist()
    assert flagged(table["flags"], "edge").tolist() == (table["touches_edge"] == 1).tolist()
