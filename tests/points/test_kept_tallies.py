"""A results folder keeps the tallies that it was last compared with, and no others."""

import pytest

from micro import results
from micro.batch.fields import pictures_of
from micro.errors import InputError
from micro.points.agreement import stored_agreement
from micro.points.kept import copy_tallies, store_tallies
from micro.report.record import read_run


@pytest.fixture
def folder(study, tmp_path):
    return study.write_results(tmp_path / "r")


@pytest.fixture
def tallies(study, tmp_path):
    sheet = study.sheet()
    return [study.tally_file(tmp_path / f"{who}.csv", study.count(sheet, who)) for who in ("ab", "cd")]


def kept(folder):
    return stored_agreement(folder, pictures_of(read_run(folder).outcomes))


def test_a_later_comparison_takes_the_place_of_an_earlier_one(folder, tallies):
    """Two tallies, then one: the second file goes, and with it the counter."""
    store_tallies(tallies, folder, 20.0)
    assert (kept(folder).fields["counters"] == 2).all()
    store_tallies(tallies[1:], folder, 10.0)
    again = kept(folder)
    assert (again.fields["counters"] == 1).all()
    assert again.wanted_accuracy_pct == 10.0
    assert [p.name for p in (folder / results.TALLIES).glob("*.csv")] == ["01.csv"]


def test_a_folder_that_nobody_counted_has_no_agreement(folder, tmp_path):
    """None, and nothing to copy."""
    assert kept(folder) is None
    copy_tallies(folder, tmp_path / "other")
    assert not (tmp_path / "other").exists()


@pytest.mark.parametrize("content", ["", "{}", "[1]", '{"relative_accuracy_pct": "much"}', "[" * 100_000, None])
def test_a_lost_accuracy_is_one_line(folder, tallies, content):
    """What was asked of the count cannot be guessed."""
    store_tallies(tallies, folder, 10.0)
    asked = folder / results.TALLIES / "asked.json"
    if content is None:
        asked.unlink()
    else:
        asked.write_text(content)
    with pytest.raises(InputError, match=r"asked\.json: is missing or damaged; compare the tallies again"):
        kept(folder)
