"""Nine figures, written many at once: the same characters as the language writes one by one."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from micro.tables.figures import NOTHING, figures


def texts(values):
    """Text of each number."""
    return [bytes(row).replace(bytes([NOTHING]), b"").decode() for row in figures(np.asarray(values, float))]


@given(st.lists(st.floats(width=64, allow_nan=False), max_size=30))
def test_any_number_is_written_as_the_language_writes_it(values):
    """Of any size, infinite and negative zero among them."""
    assert texts(values) == [f"{value:.9g}" for value in values]


def test_sizes_that_tables_hold_and_halves_between_two_last_figures():
    """Over thirteen powers of ten; the tenth figure is a 5, alone or with more after it: exact decimals decide."""
    rng = np.random.default_rng(0)
    size = 10.0 ** rng.uniform(-5, 10, 3000)
    nine = np.array([float(f"{value:.9g}") for value in size])
    half = nine * (1 + 5e-10 * 10 ** np.ceil(np.log10(nine)) / nine)
    whole = np.arange(-300, 300) / 8
    values = np.concatenate([-size, nine, half, np.nextafter(half, 0), whole, [1e-4, 99999999.95, 0.99999999949]])
    assert texts(values) == [f"{value:.9g}" for value in values.tolist()]


def test_unknown_is_nothing():
    """Neither nan nor a sign; other cells keep theirs."""
    assert texts([np.nan, 2.5, -np.nan, -3]) == ["", "2.5", "", "-3"]
