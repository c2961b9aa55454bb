"""Toughness coupons from a file that people typed: what can be used, and one line for what cannot."""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from micro.errors import InputError
from micro.results import bytes_of

J_PER_FT_LBF = 1.3558179483
"""Exact by definition of the foot, the pound and standard gravity, here to ten figures."""
IN2_PER_CM2 = 1 / 6.4516
MPA_SQRT_M_PER_KSI_SQRT_IN = 6.894757293 * 0.0254**0.5
"""Exact by definition of the inch and the pound, here to ten figures: 1.0988."""
TOUGHNESS = {
    "toughness_J": ("J", 1.0),
    "toughness_ft_lbf": ("J", J_PER_FT_LBF),
    "toughness_J_per_cm2": ("J/cm²", 1.0),
    "toughness_kJ_per_m2": ("J/cm²", 0.1),
    "toughness_ft_lbf_per_in2": ("J/cm²", J_PER_FT_LBF * IN2_PER_CM2),
    "K_Ic_MPa_sqrt_m": ("MPa·√m", 1.0),
    "K_Ic_ksi_sqrt_in": ("MPa·√m", MPA_SQRT_M_PER_KSI_SQRT_IN),
}
"""Columns of toughness: the unit that they are told in, and the factor to it."""
USED_COLUMN = {"J": "toughness_J", "J/cm²": "toughness_J_per_cm2", "MPa·√m": "K_Ic_MPa_sqrt_m"}
"""Name of the column of toughness in a table of the test bars used."""
ALIASES = {
    "toughness_ftlbf": "toughness_ft_lbf",
    "toughness_ft_lb": "toughness_ft_lbf",
    "toughness_j_cm2": "toughness_J_per_cm2",
    "toughness_j_cm": "toughness_J_per_cm2",  # J/cm², whose ² is no letter
    "toughness_kj_m2": "toughness_kJ_per_m2",
    "k_ic_mpa_m": "K_Ic_MPa_sqrt_m",
    "kic_mpa_sqrt_m": "K_Ic_MPa_sqrt_m",
    "k_ic_ksi_in": "K_Ic_ksi_sqrt_in",
    "kic_ksi_sqrt_in": "K_Ic_ksi_sqrt_in",
} | {name.lower(): name for name in TOUGHNESS}
MORE_THAN = re.compile(r"[>\u2265]=?\s*")
"""Written before a value that is only known to be exceeded: the test bar did not break."""
SAME_ENERGY = 0.01
MOST_BYTES = 10_000_000
MOST_TOUGHNESS = 1000.0
"""More than any test bar of steel takes in any of the units. Chosen."""

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
        specimen, coupon, direction, toughness, censored, hardness, line (of the file), then one text column a
        heat-treatment factor. Toughness is more than the value where censored; hardness is NaN where it was not given.
    hardness_scale
        HRC, HV, ...; empty where the file has no hardness.
    factors
        Names of the heat-treatment columns.
    problems
        One line for each row or cell that could not be used.
    unit
        Of toughness: J, J/cm² or MPa·√m.
    """

    table: pd.DataFrame
    hardness_scale: str
    factors: tuple[str, ...]
    problems: tuple[str, ...]
    unit: str = "J"


@dataclass(frozen=True)
class _Layout:
    """Where the columns stand in the file."""

    path: Path
    places: dict[str, int]
    hardness: tuple[str, int] | None
    factors: dict[str, int]
    decimal_comma: bool
    unit: str


def read_coupons(path: Path) -> Coupons:
    """Read a CSV file of coupons; commas, semicolons or tabs, points or decimal commas.

    Columns: specimen, coupon, direction, one of `TOUGHNESS` (or two of one unit), hardness_HRC (or HV, HRA, HB);
    any other column is a heat-treatment factor. ">300" is a test bar that took more than 300.

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
    columns = ["specimen", "coupon", "direction", "toughness", "censored", "hardness", "line", *layout.factors]
    scale = layout.hardness[0] if layout.hardness else ""
    return Coupons(pd.DataFrame(found, columns=columns), scale, tuple(layout.factors), tuple(problems), layout.unit)


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
        if name in ("specimen", "coupon", "direction", *TOUGHNESS):
            places[name] = place
        elif name.startswith("hardness"):
            hardness.append((_hardness_scale(path, header[place]), place))
        elif name:
            factors[_factor_name(header[place])] = place
    for name in ("specimen", "direction"):
        if name not in places:
            raise InputError(path, f"lacks the column {name}", f"add it; the header holds {', '.join(header)[:80]}")
    unit = _unit(path, places)
    if len(hardness) > 1:
        raise InputError(path, "has more than one column of hardness", "keep one scale; this program converts none")
    numeric = [*(places[n] for n in places if n in TOUGHNESS), *(place for _, place in hardness)]
    cells = [MORE_THAN.sub("", row[place]) for _, row in body for place in numeric if place < len(row)]
    comma = any(re.fullmatch(r"[+\-]?\d*,\d+", c) for c in cells) and not any(
        re.fullmatch(r"\d*\.\d+", c) for c in cells
    )
    return _Layout(path, places, hardness[0] if hardness else None, factors, comma, unit)


def _unit(path: Path, places: Mapping[str, int]) -> str:
    units = list(dict.fromkeys(TOUGHNESS[name][0] for name in places if name in TOUGHNESS))
    if not units:
        raise InputError(path, "lacks a column of toughness", f"add one of {', '.join(TOUGHNESS)}")
    if len(units) > 1:
        raise InputError(path, f"holds toughness in {units[0]} and in {units[1]}", "keep one kind of test in a file")
    return units[0]


def _plain_header(cell: str) -> str:
    name = re.sub(r"[^a-z0-9]+", "_", cell.lower()).strip("_")
    return ALIASES.get(name, name)


def _factor_name(cell: str) -> str:
    reserved = ("specimen", "coupon", "direction", "toughness", "censored", "hardness", "line", *TOUGHNESS)
    return f"{cell} (factor)" if cell in reserved else cell


def _hardness_scale(path: Path, cell: str) -> str:
    named = re.search(r"(HRC|HRA|HV|HB)W?[\W_\d]*$", cell.upper())
    if named is None:
        problem = f"the column {cell!r} names no known hardness scale"
        raise InputError(path, problem, "use hardness_HRC, _HRA, _HV or _HB")
    return named[1]


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
        if FORMULA.match(text) and name not in TOUGHNESS and text not in MISSING:
            raise InputError(where, f"{name} holds a formula, {text[:30]!r}", "give its value")
    if not texts["specimen"]:
        raise InputError(where, "names no specimen", "fill in the cell")
    toughness, censored = _toughness(layout, where, texts)
    coupon = {
        "specimen": texts["specimen"],
        "coupon": texts.get("coupon", ""),
        "direction": _direction(where, texts["direction"]),
        "toughness": toughness,
        "censored": censored,
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


def _toughness(layout: _Layout, where: str, texts: dict[str, str]) -> tuple[float, bool]:
    """Toughness in the unit of the file from whichever of its columns is filled, and whether it is more than that."""
    found: list[tuple[float, bool]] = []
    for name, (_, factor) in TOUGHNESS.items():
        text = texts.get(name, "")
        if text.lower() not in MISSING:
            plain = MORE_THAN.sub("", text, count=1) if MORE_THAN.match(text) else text
            if plain.startswith("<"):
                told = f"{name} is {text[:30]!r}, known only to be less"
                raise InputError(where, told, "give what the machine read, or take the row out")
            found.append((factor * _number(layout, where, name, plain), plain != text))
    if not found:
        raise InputError(where, "gives no toughness", "fill in the cell, or take the row out")
    values = [value for value, _ in found]
    unit = layout.unit
    if min(values) <= 0:
        told = f"toughness is {min(values):g} {unit}, it must be above 0"
        raise InputError(where, told, "correct it, or leave it empty")
    if max(values) > MOST_TOUGHNESS:
        told = f"toughness is {max(values):g} {unit}, more than any coupon takes"
        raise InputError(where, told, "check decimal and unit")
    if max(values) - min(values) > SAME_ENERGY * max(values) or len({hidden for _, hidden in found}) > 1:
        told = f"the two columns disagree: {values[0]:.3g} {unit} and {values[-1]:.3g} {unit}"
        raise InputError(where, told, "keep the right one")
    return found[0]


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
        if len({(c["direction"], round(c["toughness"], 6), c["censored"]) for c in same}) > 1:
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
