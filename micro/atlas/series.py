"""One steel over a factor of its heat treatment: carbide amount, hardness and toughness."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from micro.atlas.bars import MEASURED, Atlas
from micro.comparison.coupons import mean_of
from micro.tables.columns import SERIES, filled

FEWEST_VALUES = 2
"""Values of a factor that make a line."""
AXES = ("area_fraction", "hardness", "toughness_longitudinal", "toughness_transverse")


def series_table(atlas: Atlas) -> pd.DataFrame:
    """Columns SERIES of `micro.tables.columns`.

    A series holds bars of one steel, and the test bars of one bar that had different treatments, over one factor
    while every other factor is the same. The carbide amount is taken where the whole bar had one treatment. Points
    are joined where they were measured alike: pictures by plane, scale, version and settings, test bars by unit.
    """
    points = [point for number in range(len(atlas.bars)) for point in _points(atlas, number)]
    groups: dict[tuple[str, str, str], list[dict[str, Any]]] = {}
    for point in points:
        treatment: Mapping[str, float] = point["treatment"]
        for factor in treatment:
            held = ", ".join(f"{name} {value:g}" for name, value in sorted(treatment.items()) if name != factor)
            groups.setdefault((point["steel"], factor, held), []).append(point | {"value": treatment[factor]})
    varied = {key: own for key, own in groups.items() if len({point["value"] for point in own}) >= FEWEST_VALUES}
    return filled(SERIES, [row for key, own in varied.items() for row in _rows(key, own)])


def _points(atlas: Atlas, number: int) -> Iterator[dict[str, Any]]:
    """Points of one bar: one, or one a treatment of its test bars."""
    bar = {str(name): value for name, value in atlas.bars.iloc[number].items()}
    if bar["same_pictures_as"]:
        return
    whole = dict(atlas.treatments[number])
    head = {"steel": bar["steel"] or bar["bar"], "bar": bar["bar"], "folder": bar["folder"]}
    pictures = (bar["plane"], bar["unlike"], bar["settings"], bar["version"])
    own = atlas.coupons
    own = own[own["bar"] == bar["bar"]].dropna(axis=1, how="all") if len(own) else own
    factors = [c for c in own.columns if c not in ("bar", *MEASURED) and c not in whole]
    numeric = [c for c in factors if pd.to_numeric(own[c], errors="coerce").notna().all()]
    varied = [c for c in numeric if 1 < len(set(own[c])) < len(own)]
    if not varied:
        yield head | {"treatment": whole, "found": dict(_of_bar(bar, pictures))}
        return
    for values, subset in own.groupby(varied, sort=False):
        treatment = whole | {name: float(value) for name, value in zip(varied, values, strict=True)}
        yield head | {"treatment": treatment, "found": dict(_of_test_bars(subset, bar))}


def _of_bar(bar: dict[str, Any], pictures: tuple[str, ...]) -> Iterator[tuple[str, tuple[Any, ...]]]:
    units = {"hardness": bar["hardness_scale"], "area_fraction": ""}
    for quantity in AXES:
        unit = units.get(quantity, bar["toughness_unit"])
        alike = pictures if quantity == "area_fraction" else (unit,)
        yield quantity, (unit, bar[quantity], bar[f"{quantity}_low"], bar[f"{quantity}_high"], alike)


def _of_test_bars(own: pd.DataFrame, bar: dict[str, Any]) -> Iterator[tuple[str, tuple[Any, ...]]]:
    for quantity in AXES[1:]:
        name, _, direction = quantity.partition("_")
        unit = bar["hardness_scale"] if quantity == "hardness" else bar["toughness_unit"]
        count, _, (mean, _, low, high) = mean_of(own[own["direction"] == direction] if direction else own, name)
        if count:
            yield quantity, (unit, mean, low, high, (unit,))


def _rows(key: tuple[str, str, str], points: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    steel, factor, held = key
    for quantity in AXES:
        lines: dict[tuple[Any, ...], int] = {}
        for point in sorted(points, key=lambda p: p["value"]):
            if quantity not in point["found"]:
                continue
            unit, mean, low, high, alike = point["found"][quantity]
            if mean == mean:
                yield {
                    "steel": steel, "factor": factor, "held": held, "bar": point["bar"], "folder": point["folder"],
                    "value": point["value"], "quantity": quantity, "unit": unit, "mean": mean, "ci95_low": low,
                    "ci95_high": high, "line": lines.setdefault(alike, len(lines) + 1),
                }  # fmt: skip
