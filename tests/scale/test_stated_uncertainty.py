"""The stated uncertainties of pitch and tilt are their scatter, whatever it comes from."""

from types import SimpleNamespace

import numpy as np
import pytest

from micro.scale.detection import FoundLines
from micro.scale.pitch import fit_pitch
from micro.scale.ruling import Ruling


def ruling(rng, *, pitch_px, tilt_deg, lines, rows, placing_px, segment_px):
    """Lines seen in strips whose centres are `rows`, each segment off by noise, each line by the ruler's own error."""
    slope = np.tan(np.radians(tilt_deg))
    place = 40 + pitch_px / np.cos(np.radians(tilt_deg)) * np.arange(lines) + rng.normal(0, placing_px, lines)
    y = np.broadcast_to(rows, (lines, len(rows)))
    x = place[:, None] + slope * y + rng.normal(0, segment_px, y.shape)
    return FoundLines(SimpleNamespace(x=place), SimpleNamespace(x=x, y=y), np.ones(y.shape, bool))


LONG_UPRIGHT = {"tilt_deg": 0.0, "lines": 20, "rows": np.arange(12) * 24.0, "placing_px": 0.1, "segment_px": 0.05}
CASES = {
    "uneven ruling": LONG_UPRIGHT,
    "five lines": LONG_UPRIGHT | {"lines": 5},
    "direction of short tilted lines": LONG_UPRIGHT
    | {"tilt_deg": 20.0, "rows": np.arange(5) * 12.0, "placing_px": 0.0},
}


@pytest.mark.parametrize(
    "case", [case if case == "five lines" else pytest.param(case, marks=pytest.mark.study) for case in CASES]
)
def test_95_in_100_intervals_hold_the_pitch(case):
    """Of 300 simulated rulings 92 to 98 % lie within 1.96 stated standard uncertainties."""
    rng = np.random.default_rng(1)
    found = [fit_pitch(ruling(rng, pitch_px=23.1, **CASES[case])) for _ in range(300)]
    held = [abs(fit.pitch_px - 23.1) < 1.96 * fit.standard_uncertainty_px for fit in found]
    assert np.mean(held) == pytest.approx(0.95, abs=0.03)


@pytest.mark.study
@pytest.mark.parametrize("tilt_deg", [0.0, 20.0])
def test_95_in_100_intervals_hold_the_tilt(tilt_deg):
    """Of 300 simulated rulings of short lines 92 to 98 % lie within 1.96 stated standard uncertainties."""
    rng = np.random.default_rng(2)
    case = LONG_UPRIGHT | {"tilt_deg": tilt_deg, "rows": np.arange(5) * 12.0}
    found = [
        Ruling(fit_pitch(lines), lines, False) for lines in (ruling(rng, pitch_px=23.1, **case) for _ in range(300))
    ]
    held = [abs(one.tilt_deg - tilt_deg) < 1.96 * one.tilt_standard_uncertainty_deg for one in found]
    assert np.mean(held) == pytest.approx(0.95, abs=0.03)
