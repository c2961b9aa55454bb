"""Twins carry what was measured on the field they copy, and their table tells the error of the measurement."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from micro.field import measure
from micro.image.micrograph import Micrograph
from micro.phantom.picture import Optics, field_rows
from micro.phantom.scenes import Population, Scene, make_field
from micro.run.twins import measure_twins, scene_like, twin_bias
from micro.scale.scale import Scale
from micro.segmentation.segmentation import SegmentationSettings

SHAPE = (256, 320)
SCALE = Scale(0.2, None, "invented")
SETTINGS = SegmentationSettings(carbides="bright")
ROLLING = 30.0
SCENE = Scene(
    (Population(0.1, 9.0, aspect=2.0, misalignment_deg=10.0), Population(0.04, 7.0, carbide_class=1)),
    class_names=("grey", "white"),
    rolling_deg=ROLLING,
    optics=Optics(90, (150, 220), blur_px=1.2, noise=3.0, shading=0.2, texture=6.0),
)


@pytest.fixture(scope="module")
def original():
    """Field with two classes as measured, and its truth."""
    grey, truth = make_field(SCENE, SHAPE, np.random.default_rng(3))
    return measure(Micrograph(grey, scale=SCALE, rolling_deg=ROLLING), settings=SETTINGS), truth


@pytest.fixture(scope="module")
def copy(original):
    """Scene with the parameters of the original."""
    return scene_like(original[0])


def test_the_scene_has_the_measured_amount_and_sizes(original, copy):
    """Area fraction within 5 % and mean diameter within 6 % of the truth of the original, class by class."""
    truth = {row["carbide_class"]: row for row in field_rows(original[1], SCENE.class_names, SCALE.um_per_px)}
    assert len(copy.populations) == len(copy.class_names) == 2
    for population, name in zip(copy.populations, SCENE.class_names, strict=True):
        assert population.area_fraction == pytest.approx(truth[name]["area_fraction"], rel=0.05)
        assert population.mean_ecd_px * SCALE.um_per_px == pytest.approx(truth[name]["mean_ecd_um"], rel=0.06)
        assert population.spread == pytest.approx(0.4, abs=0.12)


def test_the_scene_has_the_measured_shape_and_direction(copy):
    """Aspect ratio within 10 %; a misalignment of 10° is found, round carbides have none worth the name."""
    stretched, compact = copy.populations
    assert stretched.aspect == pytest.approx(2.0, rel=0.1)
    assert stretched.misalignment_deg == pytest.approx(10.0, abs=4.0)
    assert copy.rolling_deg == ROLLING
    assert compact.misalignment_deg is None or compact.misalignment_deg > 35


def test_the_scene_has_the_measured_optics(copy):
    """Matrix within 3 grey levels, classes within 6, blur within 10 %; light falls off by no more than it does."""
    optics = copy.optics
    assert optics.matrix_grey == pytest.approx(90, abs=3)
    assert optics.class_greys == pytest.approx((150, 220), abs=6)
    assert optics.blur_px == pytest.approx(1.2, rel=0.1)
    assert 0.08 < optics.shading <= 0.2


def test_a_twin_is_as_noisy_as_its_original(original, copy):
    """Sensor noise and grain of the matrix, told apart and drawn again, have the spread they had."""
    twin, _ = make_field(copy, SHAPE, np.random.default_rng(8))
    found = measure(twin, SCALE.um_per_px, ROLLING, settings=SETTINGS).segmentation
    assert found.noise == pytest.approx(original[0].segmentation.noise, rel=0.1)
    assert found.matrix_grey == pytest.approx(original[0].segmentation.matrix_grey, abs=3)


def test_a_small_field_has_even_light(original):
    """Shading is not guessed from less than one block of light; classes without a whole carbide are left out."""
    whole, _ = original
    part = (slice(0, 60), slice(0, 70))
    first = whole.particles["carbide_class"] == whole.segmentation.classes[0].name
    small = replace(
        whole,
        micrograph=whole.micrograph.cropped(part),
        segmentation=whole.segmentation.cropped(part),
        particles=whole.particles[first],
    )
    scene = scene_like(small)
    assert scene.optics.shading == 0
    assert [p.carbide_class for p in scene.populations] == [0]


def test_twins_are_measured_as_the_original_was(copy):
    """Every class and quantity of every twin; area and diameter within 10 % of the twin's own truth."""
    table = measure_twins(copy, SHAPE, 2, SETTINGS, SCALE, seed=1)
    assert len(table) == 2 * 3 * 3
    sized = table[table["quantity"] != "number_per_mm2"]
    np.testing.assert_allclose(sized["measured"], sized["true"], rtol=0.1)


def test_bias_and_spread_of_a_table():
    """Mean and standard deviation of the relative errors, and the interval of Student's t, by numpy and scipy."""
    error = np.array([0.02, -0.01, 0.05, 0.03])
    true = np.array([1.0, 2.0, 3.0, 4.0])
    table = pd.DataFrame({"carbide_class": "all", "quantity": "area", "true": true, "measured": true * (1 + error)})
    (row,) = twin_bias(table).to_dict("records")
    outside = stats.ttest_1samp(error, 0).confidence_interval(0.95)
    assert (row["bias_low"], row["bias_high"]) == pytest.approx((outside.low, outside.high))
    assert (row["bias"], row["spread"]) == pytest.approx((error.mean(), error.std(ddof=1)))
    assert (row["true"], row["twins"]) == (2.5, 4)


def test_one_twin_or_none_has_no_interval():
    """Unknown is not 0: with one twin the bias stands alone, with none that could be measured nothing stands."""
    table = pd.DataFrame(
        {"carbide_class": ["a", "b"], "quantity": "area", "true": [2.0, 2.0], "measured": [2.1, np.nan]}
    )
    one, none = twin_bias(table).to_dict("records")
    assert one["bias"] == pytest.approx(0.05)
    assert np.isnan([one["bias_low"], one["bias_high"], one["spread"], none["bias"], none["bias_low"]]).all()
    assert (one["twins"], none["twins"]) == (1, 0)
