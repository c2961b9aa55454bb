"""Uncertainties joined as the guide to their expression asks: its own example, and an outside library for budgets."""

import math

import GTC
import numpy as np
import pytest

from micro.specimens.class_data import area_relative_sides, class_data
from micro.specimens.summary import Budget, area_fraction_of
from micro.statistics.sampling import Estimate, mean_of_fields
from micro.statistics.two_samples import contrast
from micro.tables import columns


def test_end_gauge_of_the_guide():
    """JCGM 100:2008, example H.1 (from memory): 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees: 32 nm, 16."""
    parts, freedom = np.array([25.0, 9.7, 2.9, 16.6]), [18.0, 25.6, 50.0, 2.0]
    joined = contrast(0.0, (parts**2).tolist(), freedom)
    assert round(joined.standard_error) == 32
    assert math.floor(joined.degrees_of_freedom) == 16
    outside = sum(GTC.ureal(0.0, u, df) for u, df in zip(parts.tolist(), freedom, strict=True))
    assert joined.standard_error == pytest.approx(outside.u)
    assert joined.degrees_of_freedom == pytest.approx(outside.df)


@pytest.mark.parametrize(("segmentation", "scale"), [(0.0, 0.0), (0.2, 0.0), (0.3, 0.15), (5.0, 1.0)])
def test_budget_of_a_specimen_is_that_of_the_outside_library(segmentation, scale):
    """Four fields, and two sources that count as known; the interval is the outside u times the outside t."""
    fields = np.array([9.0, 10.5, 11.0, 9.9])
    budget = Budget(mean_of_fields(fields), segmentation=segmentation, scale=scale)
    outside = GTC.type_a.estimate(fields.tolist()) + GTC.ureal(0, segmentation) + GTC.ureal(0, scale)
    assert budget.standard_uncertainty == pytest.approx(outside.u)
    assert budget.degrees_of_freedom == pytest.approx(outside.df)
    half = GTC.reporting.k_factor(outside.df, 95) * outside.u
    assert budget.interval == pytest.approx((outside.x - half, outside.x + half), rel=1e-6)


def test_what_may_have_been_missed_lengthens_the_upper_side_alone():
    """A standard uncertainty of 3, and 4 more upward: 1.96·3 down, 1.96·√(9 + 16) up, where all count as known."""
    estimate = Estimate(100.0, math.nan, 3.0, 3.0, math.inf, 9)
    low, high = Budget(estimate, missed=4.0).interval
    assert (100 - low, high - 100) == pytest.approx((1.959964 * 3, 1.959964 * 5), rel=1e-6)


def test_an_interval_ends_where_the_quantity_does():
    estimate = Estimate(0.01, 0.02, 0.01, 0.01, 3.0, 4)
    assert Budget(estimate, highest=0.03).interval == (0.0, 0.03)


def test_segmentation_ends_become_relative_standard_uncertainties():
    """Fields of 8 and 12 % whose 95 % intervals reach a tenth down and three tenths up: 0.1/1.96 and 0.3/1.96."""
    fraction = np.array([0.08, 0.12])
    fields = columns.empty(columns.FIELDS).reindex(range(2))
    fields = fields.assign(field=["f0", "f1"], carbide_class="all", analysed_area_um2=1e4, area_fraction=fraction)
    fields = fields.assign(area_fraction_low=0.9 * fraction, area_fraction_high=1.3 * fraction, origin="")
    data = class_data(columns.empty(columns.PARTICLES), fields, "all")
    assert area_relative_sides(data) == pytest.approx((0.1 / 1.959964, 0.3 / 1.959964), rel=1e-6)


def test_what_may_have_been_missed_is_what_the_upper_side_has_more_than_the_lower_in_quadrature():
    """A tenth down and three tenths up at 10 %: 0.01·√(3² - 1²)/1.96."""
    fields = columns.empty(columns.FIELDS).reindex(range(2))
    fields = fields.assign(specimen="A", field=["f0", "f1"], carbide_class="all", analysed_area_um2=1e4)
    fields = fields.assign(area_fraction=0.1, area_fraction_low=0.09, area_fraction_high=0.13, number_per_mm2=9.0)
    budget = area_fraction_of(fields)
    assert budget.segmentation == pytest.approx(0.01 / 1.959964, rel=1e-6)
    assert budget.missed == pytest.approx(0.01 * math.sqrt(8) / 1.959964, rel=1e-6)
