"""What DEVELOPERS.md tells a contributor is true: paths exist, and the worked example gives what it says."""

import doctest
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

import micro
from micro.specimens.class_data import class_data
from micro.tables import columns

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def example():
    """Names that the page's code blocks define, run one after the other as they stand."""
    found = {"__name__": "example"}
    for block in re.findall(r"^```python\n(.*?)^```", PAGE, flags=re.DOTALL | re.MULTILINE):
        exec(block, found)
    return found


def test_paths_on_the_page_exist():
    paths = set(re.findall(r"\b((?:micro|tests|docs|samples)/[\w./-]+\.\w+)", PAGE))
    assert len(paths) > 8
    assert [p for p in sorted(paths) if not (ROOT / p).exists()] == []


def test_the_examples_kernel_holds_its_own_example(example):
    finder = doctest.DocTestFinder()
    (test,) = finder.find(example["form_factor"], "form_factor", module=False, globs=example)
    assert len(test.examples) == 1
    assert doctest.DocTestRunner().run(test).failed == 0


def test_the_examples_kernel_knows_the_square(example):
    """A square of side a: 4π·a²/(4a)² = π/4."""
    assert example["form_factor"](np.array([9.0]), np.array([12.0])) == pytest.approx(np.pi / 4)


def test_the_examples_column_is_new(example):
    assert example["FORM_FACTOR"].name not in columns.names(columns.PARTICLES)


def test_the_examples_quantity_is_the_mean_over_resolved_carbides(example):
    """Two fields: a circle and a square; a carbide too small for its shape does not enter."""
    fields = columns.empty(columns.FIELDS).reindex(range(2))
    fields["field"], fields["carbide_class"], fields["analysed_area_um2"] = ["a", "b"], "all", 100.0
    fields[["area_fraction", "number_per_mm2"]] = 0.1, 1000.0
    particles = columns.empty(columns.PARTICLES).reindex(range(3))
    particles["field"], particles["carbide_class"], particles["weight"] = ["a", "b", "b"], "MC", 1.0
    particles["outline_area_um2"], particles["perimeter_um"] = [np.pi, 9.0, 1.0], [2 * np.pi, 12.0, 50.0]
    particles["flags"] = ["", "edge", "small"]
    estimate = example["MEAN_FORM_FACTOR"].estimate(class_data(particles, fields, "all"))
    assert estimate.value == pytest.approx((1 + np.pi / 4) / 2)
    assert estimate.fields == 2


def test_version_is_one():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == micro.__version__
