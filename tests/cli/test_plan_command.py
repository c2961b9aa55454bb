"""`micro plan`: from a finished run, and before anything is measured."""

import pytest
from click.testing import CliRunner

from micro.cli import group
from micro.errors import UsageError
from micro.phantom.picture import write_tiff
from micro.phantom.scenes import Population, Scene, make_field


def printed(*words):
    return CliRunner().invoke(group, list(words), catch_exceptions=False).output


def test_before_anything_is_measured_the_standard_plans():
    """10 % on 25 points: n = (200/20)²·(0.9/0.1)/25 = 36 fields for ±20 %RA (ASTM E562, from memory)."""
    said = printed("plan", "--expected-pct", "10", "--accuracy-pct", "20")
    assert "25 points on 36 fields" in said
    assert "measuring: 2 fields of 30 000 µm²" in printed(
        "plan", "--expected-pct", "10", "--ecd-um", "1", "--accuracy-pct", "50", "--field-um", "200", "150"
    )


def test_a_run_of_one_field_is_planned_as_if_the_bar_were_like_it(tmp_path):
    """Fields, time, what helps, and on what it rests; the answer of the run says the same of its interval."""
    import numpy as np

    grey, _ = make_field(Scene((Population(0.1, 12.0),)), (480, 640), np.random.default_rng(1))
    write_tiff(tmp_path / "one.tif", grey, 0.2)
    out = str(tmp_path / "out")
    said = printed("measure", str(tmp_path / "one.tif"), "--out", out, "--rolling-deg", "0", "--workers", "1")
    assert "if the bar is like this field; more fields would tell)" in " ".join(said.split())
    plan = " ".join(printed("plan", out, "--accuracy-pct", "5").split())
    assert "of this size" in plan
    assert "planned from one field, as if the bar were like it" in plan


@pytest.mark.parametrize("words", [["plan"], ["plan", "results", "--expected-pct", "5"]])
def test_a_run_or_an_expectation_but_not_both(words):
    with pytest.raises(UsageError, match="give one of the two"):
        printed(*words)
