"""Which points the figures of the atlas show, and what each says."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import pandas as pd

from micro.atlas.drawing import Drawing, Panel, Point, beside, marker, stacked
from micro.atlas.relations import RELATIONS, Relation, common
from micro.figures.style import COLOURS
from micro.report.wording import ends_of, route_words, with_ends, with_unit

OTHER = "other classes"
NO_CLASS = "no carbide class"
FIGURES = (
    (
        "toughness_over_amount",
        "Toughness along (left) and across rolling (right) against the amount of carbide",
        (0, 1),
    ),
    ("toughness_over_largest", "Toughness along (left) and across rolling (right) against the largest carbide", (2, 3)),
    ("ratio_over_banding", "Transverse over longitudinal toughness against banding", (4, 5)),
)
SERIES_HEIGHT = 230.0
PANELS = (
    (("area_fraction",), "carbide, %"),
    (("hardness",), "hardness"),
    (("toughness_longitudinal", "toughness_transverse"), "toughness"),
)
DIRECTION_WORDS = {"toughness_longitudinal": "along rolling", "toughness_transverse": "across rolling"}


def looks_of(bars: pd.DataFrame) -> dict[str, int]:
    """Colour and marker by carbide classes, the most common first; what comes after the fifth shares one."""
    told = bars["carbide_classes"].replace("", NO_CLASS).value_counts(sort=True)
    order = list(told.index)
    if len(order) <= len(COLOURS):
        return {name: number for number, name in enumerate(order)}
    return {name: min(number, len(COLOURS) - 1) for number, name in enumerate(order)}


def legend_of(looks: dict[str, int]) -> list[tuple[str, str]]:
    """Markers with their words; open ones are explained where they are."""
    shared = [name for name, look in looks.items() if look == len(COLOURS) - 1]
    shown = {}
    for name, look in looks.items():
        shown[look] = name if len(shared) < 2 or name not in shared else OTHER
    svg = '<svg xmlns="http://www.w3.org/2000/svg" width="16" height="16" viewBox="0 0 16 16">{}</svg>'
    entries = [(svg.format(marker(look)), name) for look, name in shown.items()]
    return [*entries, (svg.format(marker(0, open_=True)), "open: measured unlike most")]


def factor_words(factor: str) -> str:
    """Factor of a heat treatment as a label: "tempering_C" is in °C."""
    name = factor.removesuffix("_C")
    return name.replace("_", " ") + (", °C" if name != factor else "")


def treatment_words(treatment: str) -> str:
    """Factors with their numbers as a reader writes them: "tempering_C 525" is tempering 525 °C."""
    parts = []
    for part in filter(None, treatment.split(", ")):
        name, _, number = part.rpartition(" ")
        if part.startswith("several "):  # a factor that has no one number
            parts.append(factor_words(part).partition(", ")[0])
            continue
        label, _, unit = factor_words(name or number).partition(", ")
        parts.append(f"{label} {number} {unit}".strip())
    return ", ".join(parts)


def scatter_figures(bars: pd.DataFrame) -> list[Drawing]:
    """Three figures of two panels, each where any bar has both values."""
    looks = looks_of(bars)
    found = []
    for name, title, numbers in FIGURES:
        panels = [panel for n in numbers if (panel := _panel(bars, RELATIONS[n], looks)) is not None]
        if panels:
            caption = f"{title}. Lines are 95 % intervals; colour and marker tell the carbide classes, as named."
            found.append(Drawing(name, caption, f"{title}, a point a bar.", beside(panels), legend_of(looks)))
    return found


def _panel(bars: pd.DataFrame, relation: Relation, looks: dict[str, int]) -> Panel | None:
    own = bars[bars[relation.x].notna() & bars[relation.y].notna()]
    unit = ""
    if relation.y != "transverse_ratio":
        unit = common(own["toughness_unit"])
        own = own[own["toughness_unit"] == unit]
    if own.empty:
        return None
    points = [_point(int(number), row, relation, looks) for number, row in zip(own.index, own.to_dict("records"),
                                                                              strict=True)]  # fmt: skip
    label = f"{relation.y_label}, {unit}" if unit else relation.y_label
    return Panel(points, relation.x_label, label, zero_x=relation.x != "anisotropy_index")


def _point(number: int, row: dict[Any, Any], relation: Relation, looks: dict[str, int]) -> Point:
    x, y = ends_in(row, relation.x), ends_in(row, relation.y)
    unit = str(row["toughness_unit"]) if relation.y != "transverse_ratio" else ""
    said = [
        str(row["bar"]),
        f"{relation.x_label}: {with_ends(*x)}",
        f"{relation.y_label}: {with_unit(with_ends(*y), unit)}",
        *about(row),
    ]
    look = looks[str(row["carbide_classes"]) or NO_CLASS]
    unlike = bool(row["unlike"] or row["same_pictures_as"])
    return Point(number, str(row["bar"]), x, y, "\n".join(said), look, unlike)


def about(row: dict[Any, Any]) -> Iterator[str]:
    """Lines on how a bar was made and measured."""
    if row["carbide_classes"]:
        yield f"carbide classes: {row['carbide_classes']}"
    made = [str(row["steel"]), route_words(str(row["route"])), treatment_words(str(row["heat_treatment"]))]
    if any(made):
        yield ", ".join(part for part in made if part)
    if math.isfinite(row["hardness"]):
        hardness = with_unit(with_ends(*ends_in(row, "hardness")), str(row["hardness_scale"]))
        yield f"hardness: {hardness}"
    yield f"{row['fields']} fields, {str(row['date'])[:10]}, {row['folder']}"
    if row["unlike"]:
        yield f"measured unlike most: {row['unlike']}"
    if row["same_pictures_as"]:
        yield f"the same pictures as {row['same_pictures_as']}"


def ends_in(row: dict[Any, Any], name: str) -> tuple[float, float, float]:
    """Value of a bar in one column and the ends of its interval, as printed; NaN where unknown."""
    return ends_of(row, name, f"{name}_low", f"{name}_high", factor=100 if name == "area_fraction" else 1)


def series_figures(table: pd.DataFrame, bars: pd.DataFrame) -> list[Drawing]:
    """One figure a steel, factor and treatment held: a panel each for carbide, hardness and toughness."""
    rows_of = dict(zip(bars["bar"], bars.index, strict=True))
    found = []
    groups: Any = table.groupby(["steel", "factor", "held"], sort=False)
    for number, ((steel, factor, held), own) in enumerate(groups, 1):
        panels = [p for quantities, label in PANELS for p in _series_panels(own, quantities, (factor, label), rows_of)]
        if not panels:
            continue
        title = f"{steel} over {factor_words(factor)}" + (f", at {treatment_words(held)}" if held else "")
        plain = "".join(c if c.isascii() and c.isalnum() else "_" for c in f"{steel}_{factor}")
        name = f"series_{number}_{plain}"[:60]
        caption = (
            f"{title}. Lines join what was measured alike; vertical lines are 95 % intervals. Toughness: filled along, "
            "open across rolling."
        )
        alternative = f"{title}: carbide, hardness and toughness."
        found.append(Drawing(name, caption, alternative, stacked(panels, SERIES_HEIGHT)))
    return found


def _series_panels(
    own: pd.DataFrame, quantities: Sequence[str], labels: tuple[str, str], rows_of: dict[Any, Any]
) -> Iterator[Panel]:
    """Panels of some quantities, one a unit; none where there is only one value of the factor."""
    rows = own[own["quantity"].isin(quantities)]
    units: Any = rows.groupby("unit", sort=False)
    for unit, block in units:
        if block["value"].nunique() < 2:
            continue
        points: list[Point] = []
        lines: list[list[Point]] = []
        for _, run in block.groupby(["quantity", "line"], sort=False):
            made = [_series_point(row, labels[0], rows_of) for row in run.to_dict("records")]
            points += made
            lines += [made] if len({p.x[0] for p in made}) > 1 else []
        label = f"{labels[1]}, {unit}" if unit else labels[1]
        yield Panel(points, factor_words(labels[0]), label, lines, zero_x=False, zero_y="hardness" not in quantities)


def _series_point(row: dict[Any, Any], factor: str, rows_of: dict[Any, Any]) -> Point:
    ends = ends_of(row, factor=100 if row["quantity"] == "area_fraction" else 1)
    what = DIRECTION_WORDS.get(str(row["quantity"]), "")
    unit = "%" if row["quantity"] == "area_fraction" else str(row["unit"])
    value = (float(row["value"]), math.nan, math.nan)
    treatment = treatment_words(f"{factor} {row['value']:g}")
    said = f"{row['bar']}, {treatment}\n{with_unit(with_ends(*ends), unit)} {what}".strip()
    across = row["quantity"] == "toughness_transverse"
    return Point(int(rows_of[row["bar"]]), str(row["bar"]), value, ends, said, 1 if across else 0, across)
