"""From pixels to micrometres: the one place where the scale is applied to tables."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

from micro.tables.columns import Column, typed

if TYPE_CHECKING:
    import pandas as pd

# Ending of a name in micrometres or millimetres, the same in pixels, power of the pixel's size, and factor to µm.
ENDINGS = (
    ("_per_mm2", "_per_px2", -2, 1e6),
    ("_per_mm", "_per_px", -1, 1e3),
    ("_um2", "_px2", 2, 1.0),
    ("_um", "_px", 1, 1.0),
)


@cache
def in_pixels(column: Column) -> Column:
    """Return the column as it is named before the scale is known; itself where it has no length in it.

    Examples
    --------
    >>> in_pixels(Column("mean_ecd_um", "µm", "float64", "diameter")).name
    'mean_ecd_px'
    """
    for scaled, bare, _, _ in ENDINGS:
        if column.name.endswith(scaled):
            unit = column.unit.replace("mm", "px").replace("µm", "px")
            return replace(column, name=column.name.removesuffix(scaled) + bare, unit=unit)
    return column


def pixel_columns(columns: Iterable[Column]) -> tuple[Column, ...]:
    """Columns of a table in pixels."""
    return tuple(in_pixels(column) for column in columns)


def to_um(table: pd.DataFrame, columns: tuple[Column, ...], um_per_px: float) -> pd.DataFrame:
    """Return a table in pixels as one in micrometres and millimetres.

    Parameters
    ----------
    table
        With the columns `pixel_columns(columns)`.
    """
    values = {column.name: table[in_pixels(column).name].to_numpy() for column in columns}
    for name in values:
        power, factor = _power(name)
        if power:
            values[name] = values[name] * (um_per_px**power * factor)
    if "um_per_px" in values:
        values["um_per_px"] = table["um_per_px"].fillna(um_per_px).to_numpy()
    return typed(columns, values, len(table))


def _power(name: str) -> tuple[int, float]:
    """Power of the pixel's size that a column goes with, and its factor; 0 and 1 where no length is in it."""
    return next(((power, factor) for scaled, _, power, factor in ENDINGS if name.endswith(scaled)), (0, 1.0))


def curves_to_um(curves: pd.DataFrame, um_per_px: float) -> pd.DataFrame:
    """Return curves whose x is in pixels with x in micrometres; angles stay as they are."""
    scaled = curves["x_unit"] == "px"
    x = curves["x"].where(~scaled, curves["x"] * um_per_px)
    return curves.assign(x=x, x_unit=curves["x_unit"].where(~scaled, "µm"))
