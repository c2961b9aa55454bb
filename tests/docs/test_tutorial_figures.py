"""Tables of the tutorial that can be worked out are right."""

import re
from pathlib import Path

import pandas as pd
import pytest
from scipy import stats

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs/tutorial.md").read_text(encoding="utf-8")


def test_half_widths_by_number_of_fields():
    """t(0.975, n − 1)/√n by scipy."""
    rows = re.findall(r"^\| (\d+) \| ([\d.]+) \| (\d+) % \|$", PAGE, flags=re.MULTILINE)
    assert len(rows) == 6
    for fields, units, percent in rows:
        n = int(fields)
        half = stats.t.ppf(0.975, n - 1) / n**0.5
        assert float(units) == pytest.approx(half, abs=0.005)
        assert float(percent) == pytest.approx(20 * half, abs=0.5)


def test_truths_of_the_samples_and_that_the_printed_intervals_hold_them():
    """What was drawn, as samples/ says; the intervals are those of the release that wrote the page."""
    truth = pd.read_csv(ROOT / "samples/truth_specimens.csv").query("carbide_class == 'all'").set_index("specimen")
    line = r"^\| ([ABC]) \| [\d.]+ % \(([\d.]+) to ([\d.]+)\) \| ([\d.]+) % \| ([\d.]+) % \|$"
    rows = re.findall(line, PAGE, flags=re.MULTILINE)
    assert [row[0] for row in rows] == ["A", "B", "C"]
    for bar, low, high, drawn, endless in rows:
        assert float(drawn) == pytest.approx(100 * truth.loc[bar, "area_fraction"], abs=0.006)
        assert float(endless) == pytest.approx(100 * truth.loc[bar, "area_fraction_of_bar"], abs=0.06)
        assert float(low) < float(endless) < float(high)
