"""A planned number of fields gives the accuracy that was wanted."""

import math
from dataclasses import replace

import numpy as np
import pytest
from plates import FIELD, STRUCTURES, fields, plate

from micro.measures.within_field import Carbides
from micro.run.planning import specimen_lines
from micro.specimens.planning import WIDENED, Measured, expected_of_one_field, fields_for, relative_half_width
from micro.statistics.sampling import student_t


def reached(fields_planned, draw, rng):
    """%RA that so many fields of a bar give."""
    values = draw(fields_planned)
    return 100 * student_t(len(values) - 1) * values.std(ddof=1) / math.sqrt(len(values)) / values.mean()


@pytest.mark.parametrize(("scatter", "pilot"), [(0.1, 6), (0.25, 6), (0.25, 15), (0.4, 10)])
def test_from_the_scatter_of_a_pilot(scatter, pilot):
    """Median of the %RA reached within 15 % of the one wanted, over 400 pilots of a bar of gamma-distributed fields."""
    rng = np.random.default_rng(1)

    def draw(n):
        return rng.gamma(1 / scatter**2, scatter**2, n)

    for wanted in (5.0, 10.0):
        found = []
        for _ in range(400):
            first = draw(pilot)
            planned = fields_for(first.std(ddof=1) / first.mean(), 0.0, wanted).fields
            if planned > 3:
                found.append(reached(planned, draw, rng))
        assert np.median(found) == pytest.approx(wanted, rel=0.15)


@pytest.mark.parametrize("name", ["even", "small clusters"])
def test_from_one_field(name):
    """One field of a plate plans, the other fields of plates like it answer: median within 15 %."""
    rng = np.random.default_rng(2)
    own = [field for _ in range(4) for field in fields(*plate(name, rng))]
    values = np.array([area.sum() for _, _, area in own])
    whole = np.zeros(FIELD, bool)
    within = [Carbides(x, y, whole, STRUCTURES[name][3]).relative_uncertainty(area) / WIDENED for x, y, area in own]
    wanted = 200 * np.nanmedian(within) / math.sqrt(12)
    found = [
        reached(fields_for(u, 0.0, wanted).fields, lambda n: rng.choice(values, n), rng)
        for u in within
        if math.isfinite(u)
    ]
    assert np.median(found) == pytest.approx(wanted, rel=0.15)


def test_what_is_shared_is_no_matter_of_fields():
    """Below 1.96 times the shared uncertainty no number of fields helps; one field more never widens."""
    assert fields_for(0.1, 0.03, 5.0).fields is None
    assert fields_for(0.1, 0.02, 5.0).fields is not None
    halves = [relative_half_width(0.2, 0.02, n) for n in range(2, 60)]
    assert np.all(np.diff(halves) < 0)


def test_independent_carbides_before_anything_is_measured():
    """The formula against plates drawn at random: mean diameter 10 px, spread 0.4."""
    rng = np.random.default_rng(3)
    fractions = np.array([a.sum() for _ in range(8) for _, _, a in fields(*plate("even", rng))]) / (FIELD[0] * FIELD[1])
    expected = expected_of_one_field(fractions.mean(), 10.0, FIELD[0] * FIELD[1])
    assert fractions.std() / fractions.mean() == pytest.approx(expected, rel=0.15)


SEEN = Measured(
    fraction=0.1, fields=6, of_one_field=0.14, within=0.12, shared=0.004, resolved=1.0, small=2.5,
    unresolved_share=0.0, band_spacing=math.nan, reached=0.12,
)  # fmt: skip


def test_larger_fields_do_not_reach_other_places():
    """Fields that agree with themselves and not with each other: no part of the bar comes in with a wider frame."""
    assert "a quarter of the fields" in " ".join(specimen_lines(SEEN, 10.0, 1.0))
    scattered = " ".join(specimen_lines(replace(SEEN, within=0.05), 10.0, 1.0))
    assert "spread them over the bar" in scattered
    assert "a quarter of the fields" not in scattered


@pytest.mark.parametrize(
    ("accuracy", "said"),
    [
        (10.0, "10 %RA takes about 11 fields of this size, 5 more"),
        (12.0, "12 %RA is reached: these fields give 12 %RA"),
    ],
)
def test_what_is_reached_needs_no_more(accuracy, said):
    """By scatter alone 12 %RA takes nine fields; the interval of these six is as narrow, as of few it may be."""
    assert specimen_lines(SEEN, accuracy, 1.0)[0] == said
