"""What bars tell together: rank correlations with hardness held, and one steel over a factor of its heat treatment."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from micro.atlas.bars import MEASURED, Atlas
from micro.comparison.coupons import mean_of
from micro.comparison.explanation import ROUTE, rivals
from micro.points.wording import MINUS, capital
from micro.report.wording import joined
from micro.statistics.ranks import FEWEST, PartialRank, partial_rank_correlation
from micro.statistics.two_samples import ALPHA, holm
from micro.tables.columns import CORRELATIONS, SERIES, filled


@dataclass(frozen=True)
class Relation:
    """One question: columns of the axes, their labels, and the words for a sentence."""

    y: str
    x: str
    y_label: str
    x_label: str
    y_words: str
    x_words: str


ALONG, ACROSS = "toughness along rolling", "toughness across rolling"
AMOUNT, LARGEST = "area fraction of carbide, %", "largest carbide seen (ECD), µm"
RATIO = "transverse over longitudinal toughness"
RELATIONS = (
    Relation("toughness_longitudinal", "area_fraction", ALONG, AMOUNT, ALONG, "the amount of carbide"),
    Relation("toughness_transverse", "area_fraction", ACROSS, AMOUNT, ACROSS, "the amount of carbide"),
    Relation("toughness_longitudinal", "largest_ecd", ALONG, LARGEST, ALONG, "the largest carbide"),
    Relation("toughness_transverse", "largest_ecd", ACROSS, LARGEST, ACROSS, "the largest carbide"),
    Relation("transverse_ratio", "banding_beyond_random", RATIO, "banding beyond random (0: none)",
             "transverse toughness ratio", "the banding beyond random"),
    Relation("transverse_ratio", "anisotropy_index", RATIO, "anisotropy index (1: no direction)",
             "transverse toughness ratio", "the anisotropy index"),
)  # fmt: skip
CAUTIONS = (
    "Bars may differ in composition, route, heat treatment and hardness at once. A rank correlation between bars "
    "cannot tell which of them acts; holding hardness takes out only what follows the rank of hardness.",
    "The intervals of the single points do not enter the ranks; bars of one melt count as if each were its own.",
)


def entering(bars: pd.DataFrame, relation: Relation, alike: bool) -> pd.DataFrame:
    """Bars that enter one question.

    Those with both values, on the plane that most bars show, in the unit that most of these have; each set of
    pictures once. With `alike` only those measured like most.
    """
    own = bars[bars[relation.x].notna() & bars[relation.y].notna() & (bars["same_pictures_as"] == "")]
    own = own[~own["unlike"].str.contains("plane")]
    if alike:
        own = own[own["unlike"] == ""]
    if relation.y != "transverse_ratio":
        own = own[own["toughness_unit"] == common(own["toughness_unit"])]
    return own


def common(texts: pd.Series) -> str:
    """Most common of some texts that are not empty; empty where there is none."""
    told = texts[texts != ""]
    return str(told.mode().iloc[0]) if len(told) else ""


def correlations(bars: pd.DataFrame) -> pd.DataFrame:
    """Columns CORRELATIONS of `micro.tables.columns`: each question with and without hardness held.

    First for the bars measured alike, then, where there are others on that plane, for all.
    """
    rows: list[dict[str, Any]] = []
    for which in ("alike", "all"):
        own = [row for relation in RELATIONS for row in _rows(bars, relation, which)]
        for held in ("", "hardness"):
            asked = [row for row in own if row["held"] == held]
            adjusted = holm([row["p_value"] for row in asked])
            rows += [row | {"p_holm": p} for row, p in zip(asked, adjusted, strict=True)]
    return filled(CORRELATIONS, rows)


def _rows(bars: pd.DataFrame, relation: Relation, which: str) -> Iterator[dict[str, Any]]:
    own = entering(bars, relation, which == "alike")
    if which == "all" and len(own) == len(entering(bars, relation, alike=True)):
        return
    hard = own[own["hardness"].notna()]
    hard = hard[hard["hardness_scale"] == common(hard["hardness_scale"])]
    for held, used in (("", own), ("hardness", hard)):
        least = FEWEST + bool(held)
        if len(used) >= least:
            ranks = used["hardness"] if held else None
            found = partial_rank_correlation(used[relation.x], used[relation.y], ranks)
            yield {"y": relation.y, "x": relation.x, "held": held, "bars": which, **_cells(found)}


def _cells(found: PartialRank) -> dict[str, float]:
    return {"points": found.points, "rho": found.rho, "ci95_low": found.ci95_low, "ci95_high": found.ci95_high,
            "p_value": found.p_value}  # fmt: skip


def relation_sentence(relation: Relation, table: pd.DataFrame, bars: pd.DataFrame) -> str:
    """Say what the ranks of one question show, hardness held where it is known; empty where bars are too few."""
    own = table[(table["y"] == relation.y) & (table["x"] == relation.x) & (table["bars"] == "alike")]
    if own.empty:
        return ""
    rows = {str(row["held"]): row for row in own.to_dict("records")}
    row = rows.get("hardness", rows.get("", {}))
    head = capital(relation.y_words)
    if not math.isfinite(row["rho"]):
        return f"{head} against {relation.x_words}: all bars rank alike in one of them."
    held = "at equal rank of hardness" if row["held"] else f"hardness not held, which takes {FEWEST + 1} bars with it"
    told = f"rank correlation {rho_words(row)}, {row['points']:.0f} bars, {held}"
    way = "fall" if row["rho"] < 0 else "rise"
    if row["p_value"] < ALPHA <= row["p_holm"]:
        chance = f"p = {row['p_value']:.2g} alone, {row['p_holm']:.2g} among all that is asked here"
        return f"{head} may {way} as {relation.x_words} rises: {told}; {chance}."
    if not row["p_holm"] < ALPHA:
        return f"{head} and {relation.x_words}: no order is shown; {told}."
    return f"{head} {way}s as {relation.x_words} rises: {told}.{_not_told(relation, bars)}"


def _not_told(relation: Relation, bars: pd.DataFrame) -> str:
    """Say what else the toughness goes with as closely, but for chance."""
    own = entering(bars, relation, alike=True)
    words = {r.x: r.x_words for r in RELATIONS if r.x != relation.x}
    found = rivals(own[relation.x], own[relation.y], {name: own[name] for name in words}, own["route"])
    told = [(words | {ROUTE: "the route (powder or ingot)"})[name] for name in found]
    return f" These bars do not tell {relation.x_words} from {joined(told)}." if told else ""


def rho_words(row: Mapping[Any, Any]) -> str:
    """Write a rank correlation with the ends of its interval."""
    rho, low, high = (f"{row[name]:+.2f}".replace("-", MINUS) for name in ("rho", "ci95_low", "ci95_high"))
    return f"{rho} ({low} to {high})"


def sentences(bars: pd.DataFrame, table: pd.DataFrame) -> list[str]:
    """One sentence a question, and one on the bars that are in none of them."""
    asked = [r for r in RELATIONS if np.any(bars[r.x].notna() & bars[r.y].notna())]
    said = [line for relation in asked if (line := relation_sentence(relation, table, bars))]
    if asked and not said:
        most = max(len(entering(bars, relation, alike=True)) for relation in asked)
        return [f"{most} bars measured alike have toughness: too few for ranks, which take {FEWEST} or more."]
    others = max((_left_out(bars, relation) for relation in asked), default=0)
    if others:
        said.append(f"{others} bars with toughness were measured unlike most and are not in these ranks.")
    return said


def _left_out(bars: pd.DataFrame, relation: Relation) -> int:
    every = bars[bars[relation.x].notna() & bars[relation.y].notna()]
    return len(every) - len(entering(bars, relation, alike=True))


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
    return filled(SERIES, [row for key, own in varied.items() for row in _series_rows(key, own)])


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


def _series_rows(key: tuple[str, str, str], points: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
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
