"""A scale is a size above 0 with what is known of its uncertainty, or it is refused."""

import math

import pytest

from micro.scale.scale import Scale


@pytest.mark.parametrize("um_per_px", [0.0, -0.2, math.nan, math.inf])
def test_a_size_that_cannot_be_is_refused(um_per_px):
    with pytest.raises(ValueError, match="um_per_px must be a finite number above 0, got"):
        Scale(um_per_px, None, "given")


@pytest.mark.parametrize("uncertainty", [-0.001, math.nan])
def test_an_uncertainty_that_cannot_be_is_refused(uncertainty):
    with pytest.raises(ValueError, match="standard_uncertainty must be 0 or more, got"):
        Scale(0.2, uncertainty, "given")


def test_an_uncertainty_that_nothing_states_stays_unknown():
    """None is not 0: a scale given by hand may be off by any amount."""
    assert Scale(0.2, None, "given").relative_uncertainty is None
    assert Scale(0.2, 0.0, "given").relative_uncertainty == 0
