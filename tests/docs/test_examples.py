"""Examples in docstrings and on the Python page run, and give what they say."""

import doctest
import importlib
import pkgutil
from pathlib import Path

import pytest

import micro

DOCS = Path(__file__).parents[2] / "docs"
WITH_EXAMPLES = ("micro.issues", "micro.points.plan", "micro.scale.scale")


def examples(module):
    return sum(len(test.examples) for test in doctest.DocTestFinder().find(module))


@pytest.mark.parametrize(
    "name", [m.name for m in pkgutil.walk_packages(micro.__path__, "micro.") if "__main__" not in m.name]
)
def test_examples_in_docstrings(name):
    """Every module's examples hold; those that promise some have some."""
    module = importlib.import_module(name)
    assert examples(module) > 0 or name not in WITH_EXAMPLES
    assert doctest.testmod(module).failed == 0


@pytest.mark.parametrize("page", ["python.md"])
def test_examples_on_pages(page):
    result = doctest.testfile(str(DOCS / page), module_relative=False)
    assert result.attempted > 15
    assert result.failed == 0


def test_the_package_says_that_it_is_typed():
    """Type checkers of a caller read our annotations only where this file is installed."""
    assert (Path(micro.__file__).parent / "py.typed").is_file()


def test_names_of_the_package_are_those_of_its_rooms():
    """`import micro` gives every name it promises, and refuses others as any module does."""
    assert {name for name in micro.__all__ if not hasattr(micro, name)} == set()
    assert set(micro.__all__) <= set(dir(micro))
    with pytest.raises(AttributeError, match="module 'micro' has no attribute 'mesure'"):
        micro.mesure  # noqa: B018
