"""Coupon files as people type them: each problem is one line, and usable rows go on."""

import math

import pytest

from micro.comparison.coupon_file import read_coupons
from micro.errors import InputError

CLEAN = """specimen,coupon,direction,toughness_J,hardness_HRC,temper_C
bar P,1,longitudinal,30.5,60.1,540
bar P,2,transverse,28.5,60.2,540
"""

DIRTY = """\ufeffSpecimen ; Coupon;Direction;Toughness (J);toughness ft-lbf;Hardness HRC;temper_C

bar P;1;L;30,5;;60,1;540
bar P;2;long ;31,0 ;;60,2;540
bar P;3;Longitudinal;;22,5;60,0;540
bar P;4;T;28,5;21,02;60,1;540
 bar P ;5;TRANS.;29,0;;;540
bar P;6;T-L;27,5;;n/a;540
bar P;7;T;about 28;;60,1;540
bar P;8;T;28 J;;60,1;540
bar I;9;L;-20,0;;61,0;540
bar I;10;L;0;;61,0;540
bar I;11;L;NaN;;61,0;540
bar I;12;L;;;61,0;540
bar I;13;sideways;20,0;;61,0;540
bar I;14;;20,0;;61,0;540
bar I;15;L;20,0;30;61,0;540
bar I;16;L;=4+5;;61,0;540
bar I;17;L;21,0;;610;540
bar I;18;L;22,0;;hard;540
;;;;;;
bar I;19;T;9,0;;61,0;540
bar I;19;T;9,0;;61,0;540
bar I;20;T;8,5;;61,0;540
bar I;20;T;10,5;;61,0;540
;21;T;9,5;;61,0;540
bar I;=1+1;T;9,5;;61,0;540
bar I;23;T;9,5;;61,0;540;spilt;5
bar I;24;T;1e9;;61,0;540
"""

TOLD = [
    "line 9: toughness_J is 'about 28', not a number; give a plain number",
    "line 10: toughness_J is '28 J', not a number; write the unit in the header only",
    "line 11: toughness is -20 J, it must be above 0; correct it, or leave it empty",
    "line 12: toughness is 0 J, it must be above 0; correct it, or leave it empty",
    "line 13: gives no toughness; fill in the cell, or take the row out",
    "line 14: gives no toughness; fill in the cell, or take the row out",
    "line 15: direction 'sideways' is unknown; write longitudinal or transverse",
    "line 16: names no direction; write longitudinal or transverse",
    "line 17: the two columns disagree: 20 J and 40.7 J; keep the right one",
    "line 18: toughness_J holds a formula, '=4+5'; give its value",
    "line 19: hardness_HRC is 610, outside 20 to 70 where the scale applies; its toughness is used, its hardness is "
    "not; correct it",
    "line 20: hardness_HRC is 'hard', not a number; its toughness is used, its hardness is not; correct it",
    "line 26: names no specimen; fill in the cell",
    "line 27: coupon holds a formula, '=1+1'; give its value",
    "line 28: has 9 cells, the header 7; quote cells that hold the separator",
    "line 29: toughness is 1e+09 J, more than any coupon takes; check decimal and unit",
    "lines 22, 23: coupon 19 of bar I is repeated; the first is used",
    "lines 24, 25: coupon 20 of bar I stands there with different values; none is used",
]


@pytest.fixture
def write(tmp_path):
    def written(text, encoding="utf-8"):
        path = tmp_path / "coupons.csv"
        path.write_bytes(text.encode(encoding))
        return path

    return written


def test_every_problem_of_a_dirty_file_of_24_coupons_is_one_line(write):
    path = write(DIRTY)
    coupons = read_coupons(path)
    assert [p.removeprefix(f"{path} ") for p in coupons.problems] == TOLD


def test_the_usable_rows_of_a_dirty_file_go_on(write):
    table = read_coupons(write(DIRTY)).table
    assert table["coupon"].tolist() == ["1", "2", "3", "4", "5", "6", "17", "18", "19"]
    assert table["specimen"].tolist() == ["bar P"] * 6 + ["bar I"] * 3
    assert table["direction"].str[0].tolist() == list("lllttt" + "llt")
    assert table["temper_C"].eq("540").all()
    assert table["hardness"].isna().tolist() == [False] * 4 + [True] * 4 + [False]


def test_foot_pounds_are_converted(write):
    """NIST SP 811, table B.8, from memory: 1.355 818 J; by g₀ = 9.80665 m/s², 0.3048 m and 0.45359237 kg."""
    table = read_coupons(write(DIRTY)).table.set_index("coupon")
    assert table.loc["3", "toughness"] == pytest.approx(22.5 * 9.80665 * 0.3048 * 0.45359237, rel=1e-9)
    assert table.loc["4", "toughness"] == 28.5


def test_a_clean_file_has_no_problems(write):
    coupons = read_coupons(write(CLEAN))
    assert coupons.problems == ()
    assert (coupons.hardness_scale, coupons.factors) == ("HRC", ("temper_C",))
    assert coupons.table["hardness"].tolist() == [60.1, 60.2]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_encoding_separator_and_line_end_do_not_matter(write, encoding, separator, line_end):
    text = CLEAN.replace("temper_C", "température").replace(",", separator).replace("\n", line_end)
    coupons = read_coupons(write(text, encoding))
    assert coupons.factors == ("température",)
    assert coupons.table["toughness"].tolist() == [30.5, 28.5]


def test_a_quoted_decimal_comma_is_read_and_a_comma_for_thousands_is_not_guessed(write):
    text = CLEAN.replace("30.5", '"30,5"').replace("28.5", '"28,500"')
    coupons = read_coupons(write(text))
    assert coupons.table["toughness"].tolist() == [30.5]
    assert "toughness_J is '28,500': thousands or decimals?" in coupons.problems[0]


@pytest.mark.parametrize("scale", ["HV", "HV10", "HV 30", "HB", "HBW"])
def test_other_hardness_scales(write, scale):
    """Vickers and Brinell, as people write them."""
    text = CLEAN.replace("hardness_HRC", f"hardness_{scale}").replace("60.", "600.")
    assert read_coupons(write(text)).table["hardness"].tolist() == [600.1, 600.2]


def test_coupons_without_names_are_told_apart_by_line(write):
    text = "specimen,direction,toughness_J\nA,L,30\nA,L,30\nA,T,28\n"
    coupons = read_coupons(write(text))
    assert len(coupons.table) == 3
    assert coupons.problems == ()
    assert coupons.hardness_scale == ""
    assert all(math.isnan(h) for h in coupons.table["hardness"])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "holds no rows"),
        ("\n\n ; ; \n", "holds no rows"),
        (CLEAN.replace("direction", "way"), "lacks the column direction"),
        (CLEAN.replace("specimen", "bar"), "lacks the column specimen"),
        (CLEAN.replace("toughness_J", "toughness"), "lacks a column of toughness"),
        (CLEAN.replace("temper_C", "Direction"), "the column direction stands 2 times in the header"),
        (CLEAN.replace("temper_C", "hardness_HV"), "more than one column of hardness"),
        (CLEAN.replace("hardness_HRC", "hardness"), "names no known hardness scale"),
        (CLEAN.splitlines()[0], "no coupon can be used; correct the rows"),
        (CLEAN.replace("30.5", "x").replace("28.5", "y"), "no coupon can be used (first problem"),
        ("a\0b", "is not a text file"),
    ],
)
def test_a_file_that_cannot_be_used_is_one_line(write, text, told):
    path = write(text)
    with pytest.raises(InputError) as refused:
        read_coupons(path)
    assert str(refused.value).startswith(str(path))
    assert told in str(refused.value)


def test_a_path_that_is_no_file(tmp_path):
    """A folder, and nothing at all, are refused."""
    with pytest.raises(InputError, match="cannot be read"):
        read_coupons(tmp_path)
    with pytest.raises(InputError, match="cannot be read"):
        read_coupons(tmp_path / "none.csv")


def test_what_is_no_table_of_coupons_is_one_line(tmp_path, monkeypatch):
    """A file too large to be one, a cell too long for CSV, and a number that no machine can hold."""
    path = tmp_path / "c.csv"
    path.write_text(CLEAN + "bar P,3,transverse," + "9" * 200_000 + ",60,540\n")
    with pytest.raises(InputError, match=r"c\.csv line \d: is not CSV \(field larger than"):
        read_coupons(path)
    path.write_text(CLEAN + "bar P,3,transverse,1" + "0" * 400 + ",60,540\n")
    assert "too large; " in read_coupons(path).problems[0]
    monkeypatch.setattr("micro.comparison.coupon_file.MOST_BYTES", 100)
    with pytest.raises(InputError, match="is larger than 0 MB\\); give the path"):
        read_coupons(path)
