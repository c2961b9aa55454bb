"""A tally set against a results folder: the same fields, the same pictures, classes and counters."""

import numpy as np
import pytest
import tifffile

from micro import results as results_folder
from micro.batch.fields import pictures_of
from micro.errors import InputError
from micro.points.agreement import compare_count, fraction_rows, most_apart
from micro.points.tally import read_tallies
from micro.report.record import read_run
from micro.tables.columns import FIELDS, POINTS, SPECIMENS, names


def compared(folder, *tallies, accuracy=10.0):
    pictures = pictures_of(read_run(folder).outcomes)
    return compare_count(read_tallies(tallies), folder, pictures, accuracy)


@pytest.fixture
def counted(study, tmp_path):
    """Results of a perfect measurement, which a test may damage, and the tally of a perfect counter."""
    return study.write_results(tmp_path / "r"), study.tally_file(tmp_path / "t.csv", study.count(study.sheet()))


def test_a_perfect_counter_and_a_perfect_measurement_part_by_nothing(counted):
    """What is left is what half points on outlines differ from areas: under a tenth of a percentage point."""
    agreement = compared(*counted)
    assert list(agreement.fields) == names(POINTS)
    assert agreement.fields["judged_difference"].abs().max() < 1e-3
    assert (agreement.fields["points_above"] == 0).all()
    assert most_apart(agreement.judged, 5).empty
    assert [b.specimen for b in agreement.bias] == ["A", "B", ""]


def test_counting_noise_is_told_from_bias(study, tmp_path):
    """A measurement 30 % too high: single fields scatter widely, yet the freed difference is the bias itself."""
    tally = study.tally_file(tmp_path / "t.csv", study.count(study.sheet(points=49)))
    fields = compared(study.write_results(tmp_path / "r", factor=1.3), tally).fields
    true = np.array([(study.labels[key] > 0).mean() for key in zip(fields["specimen"], fields["field"], strict=True)])
    assert fields["judged_difference"].to_numpy() == pytest.approx(-0.3 * true, abs=1e-3)
    assert np.abs(fields["difference"] - fields["judged_difference"]).max() > 0.01


def test_rows_come_in_the_order_of_the_run_not_of_the_sheet(counted, study):
    fields = compared(*counted).fields
    assert list(zip(fields["specimen"], fields["field"], strict=True)) == list(study.labels)


def test_rows_for_the_specimens_table(counted):
    agreement = compared(*counted)
    rows = fraction_rows(agreement.fields)
    assert list(rows) == names(SPECIMENS)
    assert list(rows["specimen"]) == ["A", "B"]
    assert set(rows["quantity"]) == {"point_fraction"}
    counted = agreement.fields.query("specimen == 'A'")["point_fraction"]
    assert rows["mean"][0] == pytest.approx(counted.mean())


def test_two_counters_are_averaged_and_compared_with_each_other(study, tmp_path):
    sheet, rng = study.sheet(), np.random.default_rng(0)
    one = study.tally_file(tmp_path / "1.csv", study.count(sheet, "ab"))
    two = study.tally_file(tmp_path / "2.csv", study.count(sheet, "cd", misjudged=0.2, rng=rng))
    agreement = compared(study.write_results(tmp_path / "r"), one, two)
    assert (agreement.fields["counters"] == 2).all()
    assert 0.3 < agreement.between[0].kappa.value < 0.95
    worst = most_apart(agreement.judged, 4)
    assert (worst["score"] - worst["own_score"]).abs().is_monotonic_decreasing
    assert len(worst) == 4


def test_classes_are_compared_one_by_one(study, tmp_path):
    classes = ("MC", "M7C3")
    tally = study.tally_file(tmp_path / "t.csv", study.count(study.sheet(classes=classes), classes=classes))
    fields = compared(study.write_results(tmp_path / "r", classes=classes), tally).fields
    assert set(fields["carbide_class"]) == {"all", *classes}
    by_class = fields.pivot_table(index=["specimen", "field"], columns="carbide_class", values="point_fraction")
    assert by_class["MC"].add(by_class["M7C3"]).to_numpy() == pytest.approx(by_class["all"].to_numpy())
    assert fields["judged_difference"].abs().max() < 0.03


def test_a_class_that_was_not_measured_is_named(study, tmp_path):
    tally = study.tally_file(tmp_path / "t.csv", study.count(study.sheet(), classes=("MC", "M6C")))
    agreement = compared(study.write_results(tmp_path / "r", classes=("MC",)), tally)
    assert any("A: no M6C was measured in fields f1, f2, f3" in m for m in agreement.messages)


def test_a_tally_of_another_study_is_refused(study, tmp_path):
    table = study.count(study.sheet())
    table["specimen"] = table["specimen"].replace("A", "Z")
    tally = study.tally_file(tmp_path / "t.csv", table)
    with pytest.raises(InputError, match=r"t\.csv: counts field 'f\d' of Z, which .* does not hold; give the results"):
        compared(study.write_results(tmp_path / "r"), tally)


def test_a_tally_of_other_pictures_is_refused(study, tmp_path):
    tally = study.tally_file(tmp_path / "t.csv", study.count(study.sheet()).assign(image_sha256="0" * 64))
    with pytest.raises(InputError, match="counts another picture of field"):
        compared(study.write_results(tmp_path / "r"), tally)


def test_a_field_that_was_not_measured_is_left_out_and_named(counted):
    folder, tally = counted
    fields = results_folder.read_table(folder / "fields.csv", names(FIELDS))
    results_folder.write_table(folder / "fields.csv", fields.query("not (specimen == 'A' and field == 'f2')"))
    agreement = compared(folder, tally)
    assert len(agreement.fields) == 5
    assert agreement.messages == ("field 'f2' of A was not measured; it is left out",)


@pytest.mark.parametrize(("name", "message"), [("labels/A-f1.tif", "missing or damaged"), ("run.json", "is missing")])
def test_a_folder_that_lacks_a_file_is_refused(counted, name, message):
    folder, tally = counted
    (folder / name).unlink()
    with pytest.raises(InputError, match=message):
        compared(folder, tally)


def test_a_part_that_was_counted_but_not_measured_is_said(counted):
    """A tenth of the area was left out by the measurement: the two then speak of different areas."""
    folder, tally = counted
    fields = results_folder.read_table(folder / "fields.csv", names(FIELDS))
    fields["analysed_area_um2"] *= 0.9
    results_folder.write_table(folder / "fields.csv", fields)
    assert "field 'f1' of A: 10 % was counted, yet left out of the measurement" in compared(folder, tally).messages


def test_a_count_of_no_measured_field_is_refused(counted):
    """There is nothing to set it against."""
    folder, tally = counted
    fields = results_folder.read_table(folder / "fields.csv", names(FIELDS))
    results_folder.write_table(folder / "fields.csv", fields[:0])
    with pytest.raises(InputError, match=r"t\.csv: shares no measured field with the result; measure them first"):
        compared(folder, tally)


@pytest.mark.parametrize(
    ("labels", "message"),
    [
        (np.zeros((20, 30), np.int32), "a point lies beyond the picture of 30 × 20 px; give the results"),
        (np.zeros((180, 240, 3), np.uint8), "is not a label picture"),
        (np.zeros((180, 240), np.float32), "is not a label picture"),
    ],
)
def test_labels_of_another_picture_are_refused(counted, labels, message):
    """A smaller picture, a picture in colour, a picture of fractions."""
    folder, tally = counted
    tifffile.imwrite(folder / "labels" / "A-f1.tif", labels, photometric="minisblack")
    with pytest.raises(InputError, match=message):
        compared(folder, tally)


def test_a_field_without_carbides_is_counted_against_nothing(other_study, tmp_path):
    """No row in particles.csv is no fault: every hit of the counter is then a difference."""
    bare = other_study(specimens=("A",), discs=0)
    tally = bare.tally_file(tmp_path / "t.csv", bare.count(bare.sheet()))
    agreement = compared(bare.write_results(tmp_path / "r"), tally)
    assert (agreement.fields["point_fraction"] == 0).all()
    assert (agreement.fields["area_fraction"] == 0).all()
    assert (agreement.fields["judged_difference"] == 0).all()
