"""The table of what makes the numbers uncertain: each figure stands under the source that it comes from."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from micro.report.page import PageTable
from micro.report.sections import budget_section
from micro.tables import columns


def bar(low, high):
    """Three fields of 9, 10 and 11 % carbide whose segmentation states these ends about 10 %, no carbide listed."""
    blank = {c.name: "" if c.dtype == "str" else np.nan for c in columns.FIELDS}
    rows = [
        blank | {"specimen": "A", "field": f"f{i}", "carbide_class": "all", "area_fraction": f, "um_per_px": 0.1,
                 "area_fraction_low": f * low / 0.1, "area_fraction_high": f * high / 0.1, "analysed_area_um2": 1e4}
        for i, f in enumerate((0.09, 0.10, 0.11))
    ]  # fmt: skip
    return SimpleNamespace(
        name="A", fields=pd.DataFrame(rows), particles=columns.empty(columns.PARTICLES), scale_relative_uncertainty=0.01
    )


def test_each_source_has_its_column():
    """Scatter 0.01/√3 of 0.1; below 0.01/1.96; upward √(0.03² − 0.01²)/1.96 more; an area fraction knows no scale."""
    (table,) = budget_section(SimpleNamespace(specimens=[bar(0.09, 0.13)]), {}).tables
    row = dict(zip(table.columns, table.rows[0], strict=True))
    assert row["specimen, quantity"] == "A, area fraction A_A"
    assert float(row["field scatter"]) == pytest.approx(100 * 0.1 / np.sqrt(3), rel=0.05)
    assert float(row["segmentation"]) == pytest.approx(100 * 0.1 / 1.96, rel=0.05)
    assert float(row["missed"]) == pytest.approx(100 * np.sqrt(0.3**2 - 0.1**2) / 1.96, rel=0.05)
    assert row["scale"] == "none"
    assert float(row["together"]) == pytest.approx(100 * np.hypot(0.1 / np.sqrt(3), 0.1 / 1.96), rel=0.05)


def test_a_row_longer_than_its_head_is_refused():
    with pytest.raises(ValueError, match="3 cells under 2 columns"):
        PageTable("", ("a", "b"), [("1", "2", "3")])
