"""The sizing table is worked out from the figures above it."""

import re
from pathlib import Path

import pytest

PAGE = (Path(__file__).parents[2] / "docs/scaling.md").read_text(encoding="utf-8")
SECONDS = {"s": 1, "min": 60, "h": 3600, "d": 86400}
BYTES = {"GB": 1e9, "TB": 1e12}


def test_sizing_table_follows_from_the_measured_figures():
    seconds = float(re.search(r"from reading to files \| ([\d.]+) s", PAGE)[1])
    megabytes = float(re.search(r"disk in the results folder.*\| ([\d.]+) MB", PAGE)[1])
    per_field = int(re.search(r"rows in `particles.csv`.*\| (\d+) \|", PAGE)[1])
    rows = [line.strip("| \n").split(" | ") for line in re.findall(r"^\| \d[\d ]* \| .*$", PAGE, flags=re.MULTILINE)]
    assert [int(row[0].replace(" ", "")) for row in rows] == [10**k for k in (2, 3, 4, 5, 6)]
    for row in rows:
        fields = int(row[0].replace(" ", ""))
        for cores, cell in zip((1, 2, 16, 256), row[1:5], strict=True):
            number, unit = cell.split()
            half_a_digit = 0.5 * SECONDS[unit] * (0.1 if "." in number else 1)
            assert float(number) * SECONDS[unit] == pytest.approx(fields * seconds / cores, abs=half_a_digit)
        size, unit = row[5].split()
        assert float(size) * BYTES[unit] == pytest.approx(fields * megabytes * 1e6, rel=0.03)
        assert float(row[6].split()[0]) * 1e6 == pytest.approx(fields * per_field, rel=0.01)
