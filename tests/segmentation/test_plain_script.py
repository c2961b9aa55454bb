"""The yardstick of the benchmark measures the same thing: a plain scikit-image script and the program agree."""

import importlib.util
from pathlib import Path

import pytest

from micro.field import measure
from micro.phantom.scenes import Population
from micro.scale.scale import Scale

SCRIPT = Path(__file__).parents[1] / "benchmarks/plain_script.py"
ROLLING = 20.0


@pytest.fixture(scope="module")
def plain_script():
    spec = importlib.util.spec_from_file_location("plain_script", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_plain_script_and_program_agree_where_the_task_is_easy(phantom, plain_script):
    """Large sharp carbides of high contrast: blur and threshold hardly matter, so both must say the same."""
    carbides = Population(0.10, 16.0, aspect=1.6, misalignment_deg=15.0)
    field = phantom([carbides], shape=(640, 800), blur_px=0.7, noise=3.0, shading=0.05)
    scale = Scale(0.2, None, "given")
    found = measure(field.grey, um_per_px=scale.um_per_px, rolling_deg=ROLLING)
    particles, own = found.particles, found.field.iloc[0]
    table, totals = plain_script.measure_plainly(field.grey, scale.um_per_px, ROLLING)
    assert len(table) == pytest.approx(len(particles), rel=0.03)
    # The script counts what the frame cuts as it is; the field's mean weighs it.
    assert particles["ecd_um"].mean() == pytest.approx(totals["mean_ecd_um"], rel=0.02)
    within = {
        "area_fraction": 0.02,
        "particles": 0.03,
        "number_per_mm2": 0.05,
        "nearest_neighbour_um": 0.05,
        "intercepts_across_per_mm": 0.05,
        "mean_free_path_um": 0.05,
    }
    for quantity, tolerance in within.items():
        assert own[quantity] == pytest.approx(totals[quantity], rel=tolerance), quantity
