"""Toughness coupons from a file that people typed: what can be used, and one line for what cannot."""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from micro.errors import InputError
from micro.results import bytes_of

J_PER_FT_LBF = 1.3558179483
"""Exact by definition of the foot, the pound and standard gravity, here to ten figures."""
SAME_ENERGY = 0.01
MOST_BYTES = 10_000_000
MOST_J = 1000.0

DIRECTIONS = {
    **dict.fromkeys(("longitudinal", "long", "l", "lt", "along"), "longitudinal"),
    **dict.fromkeys(("transverse", "trans", "t", "tl", "across"), "transverse"),
}
"""Short forms, and the two-letter codes of ASTM E1823 (first letter: along the coupon; from memory)."""

HARDNESS_RANGES = {"HRC": (20.0, 70.0), "HRA": (20.0, 95.0), "HV": (50.0, 1500.0), "HB": (50.0, 650.0)}
"""Where each scale applies (ISO 6506, 6507, 6508, from memory; rounded outwards)."""

DELIMITERS = (";", "\t", ",")
MISSING = ("", "-", "–", "na", "n/a", "nan", "none", "null")
FORMULA = re.compile(r"[=@]|[+\-](?![\d.,])")


@dataclass(frozen=True, eq=False)
class Coupons:
    """Coupons that can be used.

    Parameters
    ----------
    table
        specimen, coupon, direction, toughness_J, hardness, line (of the file), then one text column a
        heat-treatment factor. Hardness is NaN where it was not given.
    hardness_scale
        HRC, HV, ...; empty where the file has no hardness.
    factors
        Names of the heat-treatment columns.
    problems
        One line for each row or cell that could not be used.
    """

    table: pd.DataFrame
    hardness_scale: str
    factors: tuple[str, ...]
    problems: tuple[str, ...]


@dataclass(frozen=True)
class _Layout:
    """Where the columns stand in the file."""

    path: Path
    places: dict[str, int]
    hardness: tuple[str, int] | None
    factors: dict[str, int]
    decimal_comma: bool


def read_coupons(path: Path) -> Coupons:
    """Read a CSV file of coupons; commas, semicolons or tabs, points or decimal commas.

    Columns: specimen, coupon, direction, toughness_J or toughness_ft_lbf (or both), hardness_HRC (or HV, HRA, HB);
    any other column is a heat-treatment factor.

    Raises
    ------
    InputError
        Where the file cannot be read, or lacks specimen, direction or toughness, or no row can be used.
    """
    rows = list(_rows(path))
    if not rows:
        raise InputError(path, "holds no rows", "give a header line and one line a coupon")
    (_, header), *body = rows
    layout = _layout(path, header, body)
    problems: list[str] = []
    found = []
    for line, cells in body:
        try:
            found.append(_coupon(layout, line, cells, problems))
        except InputError as trouble:
            problems.append(str(trouble))
    found = _without_duplicates(path, found, problems)
    if not found:
        first = f" (first problem: {problems[0]})" if problems else ""
        raise InputError(path, f"no coupon can be used{first}", "correct the rows")
    columns = ["specimen", "coupon", "direction", "toughness_J", "hardness", "line", *layout.factors]
    scale = layout.hardness[0] if layout.hardness else ""
    return Coupons(pd.DataFrame(found, columns=columns), scale, tuple(layout.factors), tuple(problems))


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """(line number, cells) of each row that is not empty."""
    try:
        content = bytes_of(path, MOST_BYTES)
    except OSError as trouble:
        raise InputError(path, f"cannot be read ({trouble.strerror})", "give the path of a CSV file") from None
    text = _text(path, content)
    header = next((line for line in text.splitlines() if line.strip(" \t;,")), "")
    delimiter = max(DELIMITERS, key=header.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield reader.line_num, [cell.strip() for cell in cells]
    except csv.Error as trouble:
        raise InputError(f"{path} line {reader.line_num}", f"is not CSV ({trouble})", "save it as CSV again") from None


def _text(path: Path, content: bytes) -> str:
    encodings = ("utf-16",) if content[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise InputError(path, "is not a text file", "save the table as CSV in UTF-8")


def _layout(path: Path, header: list[str], body: list[tuple[int, list[str]]]) -> _Layout:
    names = [_plain_header(cell) for cell in header]
    for name, times in Counter(name for name in names if name).items():
        if times > 1:
            raise InputError(path, f"the column {name} stands {times} times in the header", "keep one")
    places, factors, hardness = {}, {}, []
    for place, name in enumerate(names):
        if name in ("specimen", "coupon", "direction", "toughness_j", "toughness_ft_lbf"):
            places[name] = place
        elif name.startswith("hardness"):
            hardness.append((_hardness_scale(path, header[place]), place))
        elif name:
            factors[_factor_name(header[place])] = place
    for name in ("specimen", "direction"):
        if name not in places:
            raise InputError(path, f"lacks the column {name}", f"add it; the header holds {_listed(header)}")
    if not {"toughness_j", "toughness_ft_lbf"} & set(places):
        raise InputError(path, "lacks a column of toughness", "add toughness_J or toughness_ft_lbf")
    if len(hardness) > 1:
        raise InputError(path, "has more than one column of hardness", "keep one scale; this program converts none")
    numeric = [*(places[n] for n in places if n.startswith("toughness")), *(place for _, place in hardness)]
    cells = [row[place] for _, row in body for place in numeric if place < len(row)]
    comma = any(re.fullmatch(r"[+\-]?\d*,\d+", c) for c in cells) and not any(
        re.fullmatch(r"\d*\.\d+", c) for c in cells
    )
    return _Layout(path, places, hardness[0] if hardness else None, factors, comma)


def _plain_header(cell: str) -> str:
    name = re.sub(r"[^a-z0-9]+", "_", cell.lower()).strip("_")
    return {"toughness_ftlbf": "toughness_ft_lbf", "toughness_ft_lb": "toughness_ft_lbf"}.get(name, name)


def _factor_name(cell: str) -> str:
    reserved = ("specimen", "coupon", "direction", "toughness_J", "hardness", "line")
    return f"{cell} (factor)" if cell in reserved else cell


def _hardness_scale(path: Path, cell: str) -> str:
    named = re.search(r"(HRC|HRA|HV|HB)W?[\W_\d]*$", cell.upper())
    if named is None:
        problem = f"the column {cell!r} names no known hardness scale"
        raise InputError(path, problem, "use hardness_HRC, _HRA, _HV or _HB")
    return named[1]


def _listed(header: list[str]) -> str:
    return ", ".join(header)[:80]


def _coupon(layout: _Layout, line: int, cells: list[str], problems: list[str]) -> dict[str, Any]:
    where = f"{layout.path} line {line}"
    width = 1 + max(
        [*layout.places.values(), *layout.factors.values(), *([layout.hardness[1]] if layout.hardness else [])]
    )
    if any(cells[width:]):
        raise InputError(where, f"has {len(cells)} cells, the header {width}", "quote cells that hold the separator")
    cells = cells + [""] * (width - len(cells))
    texts = {name: cells[place] for name, place in (layout.places | layout.factors).items()}
    for name, text in texts.items():
        if FORMULA.match(text) and not name.startswith("toughness") and text not in MISSING:
            raise InputError(where, f"{name} holds a formula, {text[:30]!r}", "give its value")
    if not texts["specimen"]:
        raise InputError(where, "names no specimen", "fill in the cell")
    toughness = _toughness(layout, where, texts)
    coupon = {
        "specimen": texts["specimen"],
        "coupon": texts.get("coupon", ""),
        "direction": _direction(where, texts["direction"]),
        "toughness_J": toughness,
        "hardness": math.nan,
        "line": line,
    }
    if layout.hardness:
        try:
            coupon["hardness"] = _hardness(layout, where, cells[layout.hardness[1]])
        except InputError as trouble:
            problems.append(str(trouble))
    return coupon | {name: texts[name] for name in layout.factors}


def _direction(where: str, text: str) -> str:
    direction = DIRECTIONS.get(re.sub(r"[^a-z]", "", text.lower()))
    if direction is None:
        problem = f"direction {text[:30]!r} is unknown" if text else "names no direction"
        raise InputError(where, problem, "write longitudinal or transverse")
    return direction


def _toughness(layout: _Layout, where: str, texts: dict[str, str]) -> float:
    """Toughness in J from whichever of the two columns is filled."""
    found = {}
    for name, factor in (("toughness_j", 1.0), ("toughness_ft_lbf", J_PER_FT_LBF)):
        text = texts.get(name, "")
        if text.lower() not in MISSING:
            found[name] = factor * _number(layout, where, name.replace("_j", "_J"), text)
    if not found:
        raise InputError(where, "gives no toughness", "fill in the cell, or take the row out")
    values = list(found.values())
    if min(values) <= 0:
        raise InputError(where, f"toughness is {min(values):g} J, it must be above 0", "correct it, or leave it empty")
    if max(values) > MOST_J:
        raise InputError(where, f"toughness is {max(values):g} J, more than any coupon takes", "check decimal and unit")
    if max(values) - min(values) > SAME_ENERGY * max(values):
        raise InputError(
            where, f"the two columns disagree: {values[0]:.3g} J and {values[1]:.3g} J", "keep the right one"
        )
    return values[0]


def _hardness(layout: _Layout, where: str, text: str) -> float:
    if text.lower() in MISSING or layout.hardness is None:
        return math.nan
    scale = layout.hardness[0]
    name = f"hardness_{scale}"
    low, high = HARDNESS_RANGES[scale]
    value = _number(layout, where, name, text, "its toughness is used, its hardness is not; correct it")
    if not low <= value <= high:
        remedy = "its toughness is used, its hardness is not; correct it"
        raise InputError(where, f"{name} is {value:g}, outside {low:g} to {high:g} where the scale applies", remedy)
    return value


def _number(layout: _Layout, where: str, name: str, text: str, remedy: str = "give a plain number") -> float:
    if FORMULA.match(text):
        raise InputError(where, f"{name} holds a formula, {text[:30]!r}", "give its value")
    plain = text.replace("\u2212", "-").replace("\u00a0", "")
    if "," in plain:
        if not layout.decimal_comma and "." not in plain and re.fullmatch(r"[+\-]?\d{1,3}(,\d{3})+", plain):
            raise InputError(where, f"{name} is {text!r}: thousands or decimals?", "write it without the comma")
        plain = plain.replace(",", ".")
    if not re.fullmatch(r"[+\-]?(\d+\.?\d*|\.\d+)(e[+\-]?\d+)?", plain, re.IGNORECASE):
        unit = re.fullmatch(r"[+\-]?[\d.]+\s*([^\d\s].*)", plain)
        advice = "write the unit in the header only" if unit else remedy
        raise InputError(where, f"{name} is {text[:30]!r}, not a number", advice)
    value = float(plain)
    if not math.isfinite(value):
        raise InputError(where, f"{name} is {text[:30]!r}, too large", remedy)
    return value


def _without_duplicates(path: Path, found: list[dict[str, Any]], problems: list[str]) -> list[dict[str, Any]]:
    """Leave out repeats of a coupon; where they contradict each other, all of them."""
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for coupon in found:
        key = (coupon["specimen"], coupon["coupon"] or f"line {coupon['line']}")
        groups.setdefault(key, []).append(coupon)
    kept = []
    for (specimen, name), same in groups.items():
        lines = ", ".join(str(c["line"]) for c in same)
        where = f"{path} lines {lines}"
        if len({(c["direction"], round(c["toughness_J"], 6)) for c in same}) > 1:
            problems.append(
                str(
                    InputError(where, f"coupon {name} of {specimen} stands there with different values", "none is used")
                )
            )
            continue
        if len(same) > 1:
            problems.append(str(InputError(where, f"coupon {name} of {specimen} is repeated", "the first is used")))
        kept.append(same[0])
    return kept
