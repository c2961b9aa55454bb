"""Tallies from the page and from paper; each fault is one clear line."""

import pytest

from micro.errors import InputError
from micro.points.sheet import form
from micro.points.tally import read_tallies


@pytest.fixture
def sheet(study):
    return study.sheet(points=9)


@pytest.fixture
def table(study, sheet):
    return study.count(sheet)


def refusal(*paths):
    with pytest.raises(InputError) as refused:
        read_tallies(paths)
    line = str(refused.value)
    assert "\n" not in line
    return line


def written(tmp_path, table, name="t.csv"):
    path = tmp_path / name
    table.to_csv(path, index=False)
    return path


def test_a_whole_tally_is_counted_field_by_field(study, sheet, table, tmp_path):
    tally = read_tallies([written(tmp_path, table)])
    assert len(tally.counts) == 6
    assert (tally.counts["points"] == sheet.fields[0].grid.points).all()
    assert tally.counts["inside"].sum() == (table["verdict"] == "in").sum()
    assert tally.counts["boundary"].sum() == (table["verdict"] == "boundary").sum()
    assert tally.messages == ()


def test_a_field_that_was_not_finished_is_left_out_and_named(table, tmp_path):
    tally = read_tallies([written(tmp_path, table.iloc[:-2])])
    assert len(tally.counts) == 5
    assert "was counted to 7 of 9 points by ab; it is left out" in tally.messages[0]


def test_what_a_spreadsheet_makes_of_the_file_is_still_read(table, tmp_path):
    """Byte order mark, other line ends, blank lines, spaces, another order of the columns."""
    text = table[table.columns[::-1]].to_csv(index=False, lineterminator="\r\n").replace(",in,", ", in ,")
    path = tmp_path / "t.csv"
    path.write_bytes(("\ufeff" + text + "\r\n\r\n").encode())
    assert len(read_tallies([path]).counts) == 6


def test_a_name_that_looks_like_a_formula_comes_back_whole(table, tmp_path):
    table["counter"] = "'=ab"
    assert set(read_tallies([written(tmp_path, table)]).counts["counter"]) == {"=ab"}


@pytest.mark.parametrize(
    ("spoil", "line"),
    [
        (lambda t: t.drop(columns="point"), "lacks the column 'point'; it has sheet, specimen"),
        (lambda t: t.drop(columns="verdict"), "lacks the column 'page'"),
        (lambda t: t.iloc[:0], "holds no counts; count at least one field"),
        (lambda t: t.iloc[:3], "holds no field that was counted to its end; finish at least one field"),
        (lambda t: t.assign(verdict="maybe"), "line 2: verdict 'maybe' is unknown; write in, boundary or out"),
        (lambda t: t.assign(verdict=0.5), "line 2: verdict '0.5' is unknown"),
        (lambda t: t.assign(counter=""), "line 2: has no counter; write who counted"),
        (lambda t: t.assign(point=0.5), "line 2: point must be a number, 1 or more, got '0.5'"),
        (lambda t: t.assign(point=1.5), "line 2: point must be a whole number, got '1.5'"),
        (lambda t: t.assign(point=99), "line 3: point 99 of field"),
        (lambda t: t.assign(grid_points=4), "is not on its grid; remove that line"),
        (lambda t: t.assign(x_px="left"), "line 2: x_px must be a number, 0 or more, got 'left'"),
        (lambda t: t.assign(x_px="nan"), "line 2: x_px must be a number, 0 or more, got 'nan'"),
        (lambda t: t.assign(sheet=["x"] + ["y"] * (len(t) - 1)), "holds counts of different sheets (x, y)"),
        (lambda t: t.assign(image_sha256=["x"] + ["y"] * (len(t) - 1)), "line 3: field 'f"),
        (lambda t: t.iloc[[0, *range(len(t))]], "line 3: point 1 of field"),
    ],
)  # fmt: skip
def test_each_fault_of_a_tally_is_one_line_that_says_what_to_do(table, tmp_path, spoil, line):
    said = refusal(written(tmp_path, spoil(table)))
    assert said.startswith(str(tmp_path / "t.csv"))
    assert line in said


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"", "is empty; give the CSV file"),
        (b"\n \n", "is empty"),
        (b"\xff\xfe\x00x", "is not UTF-8 text"),
        (b"sheet;specimen;verdict\na;b;in\n", "has its columns separated by semicolons; save it with commas"),
        (b"a,b\n1,2\n", "lacks the column 'sheet'; it has a, b"),
        (b'a,"b\n', "is not a CSV file"),
    ],
)
def test_files_that_are_no_tally(tmp_path, content, line):
    path = tmp_path / "t.csv"
    path.write_bytes(content)
    assert line in refusal(path)


def test_a_missing_file_and_a_ragged_line(table, tmp_path):
    assert "cannot be read" in refusal(tmp_path / "none.csv")
    path = written(tmp_path, table)
    path.write_text(path.read_text() + "a,b\n")
    assert f"line {len(table) + 2}: has 2 cells, not 11; correct the line" in refusal(path)


def test_the_same_counter_twice_is_refused(table, tmp_path):
    assert "twice by ab; give each count once" in refusal(written(tmp_path, table), written(tmp_path, table, "u.csv"))


def test_tallies_of_two_sheets_are_refused(study, table, tmp_path):
    other = study.count(study.sheet(points=9, seed=2), "cd")
    assert "holds counts of different sheets" in refusal(written(tmp_path, table), written(tmp_path, other, "u.csv"))


@pytest.fixture
def paper(sheet):
    return form(sheet).assign(inside="2", boundary="1", counter="ab")


def test_a_form_counted_on_paper_is_read_with_its_grids(sheet, paper, tmp_path):
    tally = read_tallies([written(tmp_path, paper)])
    assert (tally.counts["inside"] == 2).all()
    own = tally.points.query("specimen == @sheet.fields[0].specimen and field == @sheet.fields[0].field")
    assert own["x_px"].to_numpy() == pytest.approx(sheet.fields[0].grid.x_px, rel=1e-6)
    assert (tally.points["verdict"] == "").all()


def test_fields_that_were_not_filled_in_are_named(paper, tmp_path):
    paper.loc[2, ["inside", "boundary"]] = ""
    tally = read_tallies([written(tmp_path, paper)])
    assert len(tally.counts) == 5
    assert "was not counted; it is left out" in tally.messages[0]


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"inside": "2.5"}, "inside must be a whole number, got '2.5'; put points on a boundary under 'boundary'"),
        ({"boundary": "0.5"}, "boundary must be a whole number, got '0.5'"),
        ({"inside": "-1"}, "inside must be a number, 0 or more, got '-1'"),
        ({"inside": "9", "boundary": "1"}, "has more hits (10) than points (9); correct its counts"),
        ({"counter": ""}, "has no counter; write who counted"),
        ({"inside": "", "boundary": ""}, "holds no field that was counted to its end"),
    ],
)
def test_each_fault_of_a_form_is_one_line(paper, tmp_path, changes, line):
    """A half where none is allowed is told apart from a half point on a boundary."""
    assert line in refusal(written(tmp_path, paper.assign(**changes)))


def test_a_form_counts_class_by_class(study, tmp_path):
    sheet = study.sheet(points=9, classes=("MC", "M6C"))
    filled = form(sheet).assign(inside="1", boundary="0", counter="ab")
    counts = read_tallies([written(tmp_path, filled)]).counts
    assert set(counts["carbide_class"]) == {"all", "MC", "M6C"}
    assert (counts.loc[counts["carbide_class"] == "all", "inside"] == 2).all()


def test_a_field_that_stands_twice_on_a_form_is_refused(paper, tmp_path):
    """Which of the two rows holds is not for the program to say."""
    twice = paper.iloc[[0, 1, 2, 3, 4, 5, 3]]
    assert "line 8: field 'f" in refusal(written(tmp_path, twice))
    assert "is given twice; remove that line" in refusal(written(tmp_path, twice))
