"""The public door: one call from a picture to its numbers, and one clear error for what makes no sense."""

import cv2
import numpy as np
import pytest
import tifffile

import micro
from micro.errors import InputError
from micro.phantom.picture import write_tiff
from micro.phantom.scenes import Population, Scene, make_field
from micro.tables.columns import FIELDS, PARTICLES, names


@pytest.fixture(scope="module")
def field():
    """Invented field with 8 % carbide of 12 px along 20°, and its truth."""
    scene = Scene((Population(0.08, 12.0, aspect=2.0, misalignment_deg=8.0),), rolling_deg=20.0)
    return make_field(scene, (360, 480), np.random.default_rng(5))


@pytest.fixture(scope="module")
def result(field):
    return micro.measure(field[0], um_per_px=0.2, rolling_deg=20.0, carbides="bright")


def test_an_array_gives_the_tables_of_the_results_folder(field, result):
    """All columns, one row a carbide, and an interval that holds the drawn area fraction."""
    assert list(result.particles.columns) == names(PARTICLES)
    assert list(result.field.columns) == names(FIELDS)
    assert len(result.particles) == result.labels.max()
    value, low, high = result.area_fraction
    assert low < field[1].area_fraction[0] < high
    assert low < value < high


def test_a_file_and_its_array_give_the_same_numbers(field, tmp_path):
    """The same grey levels, whichever way they come; the file states its own scale."""
    grey = np.round(field[0]).astype(np.uint8)
    write_tiff(tmp_path / "f.tif", grey.astype(np.float32), um_per_px=0.25)
    from_file = micro.measure(tmp_path / "f.tif", rolling_deg=0)
    from_array = micro.measure(grey, um_per_px=from_file.scale.um_per_px, rolling_deg=0)
    assert from_file.scale.um_per_px == pytest.approx(0.25)
    numbers = from_file.field.select_dtypes("number").columns
    np.testing.assert_array_equal(from_file.field[numbers], from_array.field[numbers])


def test_another_scale_than_the_file_states_is_told(field, tmp_path):
    """0.25 µm in the tags and 0.5 given: a factor of 2 that nobody should overlook."""
    write_tiff(tmp_path / "f.tif", np.round(field[0]), um_per_px=0.25)
    assert "0.25" in "; ".join(one.text for one in micro.measure(tmp_path / "f.tif", um_per_px=0.5).issues)


def test_the_direction_is_estimated_where_it_is_not_given(field):
    """Carbides drawn along 20° tell so within three standard uncertainties."""
    found = micro.measure(field[0], um_per_px=0.2)
    assert abs(found.direction.angle_deg - 20) < 3 * found.direction.standard_uncertainty_deg


def test_it_shows_itself(result):
    """A line for the terminal, a table for a notebook, three figures on axes that are given."""
    from matplotlib.figure import Figure

    assert "area fraction" in repr(result)
    assert "<table" in result._repr_html_()
    for draw in (result.plot, result.plot_sizes, result.plot_banding):
        axes = Figure().subplots()
        assert draw(axes) is axes
        assert axes.has_data()


def test_sixteen_bits_measure_as_eight(field, result):
    """Grey levels times 257 are the same picture."""
    deep = micro.measure((field[0] * 257).astype(np.uint16), 0.2, 20.0, "bright")
    assert deep.area_fraction == pytest.approx(result.area_fraction, rel=2e-3)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"carbides": "brihgt"}, "carbides must be one of auto, bright, dark, got 'brihgt'"),
        ({"um_per_px": -0.2}, "um_per_px must be a finite number above 0, got -0.2"),
        ({"um_per_px": float("nan")}, "um_per_px must be a finite number above 0"),
        ({"rolling_deg": 400.0}, "rolling_deg must lie in 0 to 180, got 400"),
        ({"image": np.zeros((40, 50, 3))}, r"rows and columns, got the shape \(40, 50, 3\)"),
        ({"image": np.full((40, 50), np.nan)}, "not finite"),
        ({"image": np.full((40, 50), -1.0)}, "negative grey levels"),
        ({"settings": micro.SegmentationSettings("dark"), "carbides": "bright"}, "give one of the two"),
    ],
)
def test_what_makes_no_sense_is_one_clear_error(field, change, said):
    """The argument, the rule and the value."""
    with pytest.raises(ValueError, match=said):
        micro.measure(**({"image": field[0], "um_per_px": 0.2, "rolling_deg": 0.0} | change))


def test_full_scale_below_the_grey_levels_is_refused(field):
    """16 bit data with the full scale of 8 bits would pass for saturated."""
    with pytest.raises(ValueError, match="grey must lie in 0 to grey_max, 255"):
        micro.Micrograph((field[0] * 257).astype(np.float32), 255.0)


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        ({"class_names": ("MC", "MC")}, "class names must differ"),
        ({"class_names": ("MC", "M6C"), "class_greys": (200.0,)}, "some classes give a grey and some do not"),
        ({"class_greys": (200.0,)}, "class_greys need class_names, one each"),
        ({"matrix_grey": float("nan")}, "matrix_grey must be a finite number"),
        ({"blur_px": -1.0}, "blur_px must be a finite number, 0 or more, got -1.0"),
        ({"min_area_px": -1.0}, "min_area_px must be"),
    ],
)
def test_settings_check_themselves(setting, said):
    with pytest.raises(ValueError, match=said):
        micro.SegmentationSettings(**setting)


@pytest.mark.parametrize("shape", [(1, 1), (2, 2), (1, 500), (500, 1)])
def test_pictures_of_a_few_pixels_tell_nothing(shape):
    """No more is known of them than that the whole of it may be carbide, or some; none ends the program."""
    grey = np.random.default_rng(0).integers(0, 255, shape).astype(np.float32)
    _, low, high = micro.measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    assert low == 0 < high


def test_strips_lower_than_the_reach_of_grain_are_measured():
    """Discs in 8 rows beside grain, compared over lags to 16 px; bands across so few rows nobody could see."""
    rows, columns = np.indices((8, 300))
    inside = np.clip(4 - np.hypot(rows - 4, columns % 20 - 10), 0, 1)
    grain = cv2.GaussianBlur(np.random.default_rng(0).standard_normal((8, 300)), (0, 0), 1.5)
    grey = (80 + 100 * inside + 20 * grain).astype(np.float32)
    found = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    value, low, high = found.area_fraction
    assert np.isnan(found.field["area_fraction_within_relative_uncertainty"]).all()
    assert low <= inside.mean() <= high and value == pytest.approx(inside.mean(), rel=0.1)


def test_no_scale_is_refused(field, tmp_path):
    """Nothing in pixels passes for micrometres."""
    with pytest.raises(InputError, match="has no scale"):
        micro.measure(field[0])
    tifffile.imwrite(tmp_path / "f.tif", np.round(field[0]).astype(np.uint8))
    with pytest.raises(InputError, match=r"f\.tif: has no scale"):
        micro.measure(tmp_path / "f.tif")


def test_specimens_of_arrays_are_summarised_and_compared():
    """Two bars of three fields, 5 % against 12 %: each interval holds its truth, and the difference is told."""

    def bar(name, share):
        scene = Scene((Population(share, 10.0),))
        fields = (make_field(scene, (300, 400), np.random.default_rng([7, k]))[0] for k in range(3))
        return micro.Specimen(name, [micro.measure(grey, 0.2, 0.0, "bright") for grey in fields])

    poor, rich = bar("A", 0.05), bar("B", 0.12)
    for specimen, truth in ((poor, 0.05), (rich, 0.12)):
        row = specimen.summary.query("carbide_class == 'all' and quantity == 'area_fraction'").iloc[0]
        assert row["ci95_low"] < truth < row["ci95_high"]
        assert row["fields"] == 3
    table = micro.compare([poor, rich])
    row = table.query("carbide_class == 'all' and quantity == 'area_fraction'").iloc[0]
    assert row["verdict"] == "differs"
    assert row["estimate"] == pytest.approx(0.07, abs=0.01)


def test_a_specimen_needs_a_field_and_a_name_of_its_own(result):
    with pytest.raises(ValueError, match="must have one field or more"):
        micro.Specimen("A", [])
    with pytest.raises(ValueError, match="different names, got A, A"):
        micro.compare([micro.Specimen("A", [result]), micro.Specimen("A", [result])])
