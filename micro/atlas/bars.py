"""Bars of any number of results folders, one row each, marked where they were measured unlike most.

Nothing joins such bars silently.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from micro import results
from micro.comparison.coupon_file import USED_COLUMN
from micro.comparison.measured import SAME_RESOLUTION
from micro.errors import InputError
from micro.segmentation.segmentation import SegmentationSettings
from micro.statistics.sampling import student_t
from micro.tables.columns import ATLAS, ELEMENTS, filled

RUN_AGAIN = "run that study again"
STRUCTURE = ("area_fraction", "mean_ecd", "largest_ecd", "elongation_along_rolling", "anisotropy_index",
             "banding_beyond_random")  # fmt: skip
DIRECTIONS = ("longitudinal", "transverse")
SPECIMEN_COLUMNS = ["specimen", "carbide_class", "quantity", "mean", "ci95_low", "ci95_high", "fields"]
COUPON_COLUMNS = ["group", "direction", "quantity", "unit", "coupons", "mean", "std", "ci95_low", "ci95_high"]
RATIO_COLUMNS = ["group", "ratio", "ci95_low", "ci95_high"]
MATRIX_COLUMNS = ["specimen", "element", "in_steel", "in_matrix", "ci95_low", "ci95_high"]
MEASURED = ["direction", "toughness", "censored", "hardness"]
NOT_FACTORS = {"specimen", "coupon", "direction", "hardness", "line", "group", "outlier", "censored"}


@dataclass(frozen=True, eq=False)
class Folder:
    """Tables of one results folder as the atlas takes them; a table that is not there is None."""

    path: Path
    record: dict[str, Any]
    specimens: pd.DataFrame
    um_per_px: Mapping[str, float]
    coupons: pd.DataFrame | None
    ratios: pd.DataFrame | None
    used: pd.DataFrame | None
    matrix: pd.DataFrame | None


@dataclass(frozen=True, eq=False)
class Atlas:
    """Bars of all folders.

    Parameters
    ----------
    bars
        Columns ATLAS of `micro.tables.columns`.
    coupons
        Test bars that could be used: bar, direction, toughness, censored, hardness, one text column a factor of the
        heat treatment; no rows where no folder has any.
    treatments
        A mapping a bar, in the order of `bars`: number by factor, of factors that are one number for the whole bar.
    problems
        One line for each folder that could not be read.
    """

    bars: pd.DataFrame
    coupons: pd.DataFrame
    treatments: tuple[Mapping[str, float], ...]
    problems: tuple[str, ...]


def read_atlas(folders: Sequence[Path]) -> Atlas:
    """Read the bars of all folders, by date; a folder with a trouble gives no bars and one line."""
    read: list[tuple[Folder, list[dict[str, Any]]]] = []
    problems: list[str] = []
    for path in dict.fromkeys(Path(f) for f in folders):
        try:
            folder = read_folder(path)
            read.append((folder, rows_of(folder)))
        except InputError as trouble:
            problems.append(str(trouble))
    read.sort(key=lambda one: str(one[0].record["date"]))
    rows = [row | {"_folder": folder} for folder, own in read for row in own]
    if not rows:
        return Atlas(filled(ATLAS, []), pd.DataFrame(), (), tuple(problems))
    count = pd.Series([row["bar"] for row in rows]).value_counts()
    for row in rows:
        row["_specimen"] = row["bar"]
        row["bar"] = row["bar"] if count[row["bar"]] == 1 else f"{row['bar']} ({row['folder']})"
    mark_unlike(rows)
    coupons = [own for row in rows if (own := _coupons_of(row)) is not None]
    return Atlas(
        filled(ATLAS, rows),
        pd.concat(coupons, ignore_index=True) if coupons else pd.DataFrame(),
        tuple(row["_treatment"] for row in rows),
        tuple(problems),
    )


def read_folder(path: Path) -> Folder:
    """Read one results folder.

    Raises
    ------
    InputError
        Where it is no folder of a finished run, or a table in it is damaged.
    """
    record = results.read_record(path)
    fields = results.read_table(path / results.FIELDS, ["specimen", "um_per_px"])
    _check_numbers(path / results.FIELDS, fields, ["um_per_px"])
    if not ((fields["um_per_px"] > 0) & (fields["um_per_px"] < math.inf)).all():
        raise InputError(path / results.FIELDS, "holds a pixel without a size", RUN_AGAIN)
    specimens = results.read_table(path / results.SPECIMENS, SPECIMEN_COLUMNS)
    _check_numbers(path / results.SPECIMENS, specimens, SPECIMEN_COLUMNS[3:])
    used = path / results.COUPONS_USED
    return Folder(
        path=path,
        record=_checked(path, record),
        specimens=specimens,
        um_per_px={str(name): float(own.max()) for name, own in fields.groupby("specimen")["um_per_px"]},
        coupons=_optional(path / results.COUPONS, COUPON_COLUMNS, ("group", "direction", "quantity", "unit")),
        ratios=_optional(path / results.RATIOS, RATIO_COLUMNS, ("group",)),
        used=_read_used(used) if used.exists() else None,
        matrix=_optional(path / results.MATRIX, MATRIX_COLUMNS, ("specimen", "element")),
    )


def _optional(path: Path, columns: list[str], texts: tuple[str, ...]) -> pd.DataFrame | None:
    if not path.exists():
        return None
    table = results.read_table(path, columns)
    _check_numbers(path, table, [c for c in columns if c not in texts])
    return table.assign(**{name: table[name].fillna("").astype(str) for name in texts})


def _check_numbers(path: Path, table: pd.DataFrame, columns: Sequence[str]) -> None:
    for name in columns:
        if table[name].dtype.kind not in "fiu" and table[name].notna().any():
            raise InputError(path, f"{name} holds a text where a number stands", RUN_AGAIN)


def _read_used(path: Path) -> pd.DataFrame:
    """Test bars with their factors as text, whatever columns the coupon file had."""
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        toughness = next(name for name in table.columns if name in USED_COLUMN.values())
        told_more = table["censored"] if "censored" in table.columns else "0"
        numbers = {name: pd.to_numeric(table[name].replace("", "nan")) for name in (toughness, "hardness")}
        kept = table[["specimen", "direction"]]
    except (OSError, ValueError, KeyError, StopIteration):
        raise InputError(path, "is damaged", RUN_AGAIN) from None
    factors = [n for n in table.columns if n not in NOT_FACTORS and n != toughness]
    told = {name: [results.without_guard(text) for text in table[name]] for name in factors}
    kept = kept.map(results.without_guard)
    more = pd.Series(told_more, table.index).astype(str) == "1"
    return kept.assign(toughness=numbers[toughness], censored=more, hardness=numbers["hardness"], **told)


def _checked(path: Path, record: dict[str, Any]) -> dict[str, Any]:
    """Return the record if it tells what a row needs."""
    try:
        for specimen in record["study"]["specimens"]:
            str(specimen["name"]), [field["settings"] for field in specimen["fields"]]
            {str(k): float(v) for k, v in {**specimen["composition"], **specimen.get("heat_treatment", {})}.items()}
        str(record["date"]), str(record["versions"]["micro"]), [o["specimen"] for o in record["outcomes"]]
    except (KeyError, TypeError, ValueError, AttributeError):
        raise InputError(path / results.RECORD, "does not tell what was measured", RUN_AGAIN) from None
    return record


def rows_of(folder: Folder) -> list[dict[str, Any]]:
    """Rows of the bars of one folder that have a measured field."""
    found = {str(name): own for name, own in folder.specimens.groupby("specimen", sort=False)}
    told = folder.record["study"]["specimens"]
    return [_row(folder, s, found[str(s["name"])]) for s in told if str(s["name"]) in found]


def _row(folder: Folder, told: dict[str, Any], own: pd.DataFrame) -> dict[str, Any]:
    name, record = str(told["name"]), folder.record
    if name not in folder.um_per_px:
        raise InputError(folder.path / results.FIELDS, f"holds no field of {name!r}", RUN_AGAIN)
    treatment, shown = _treatment(folder, told)
    return {
        "bar": name,
        "folder": str(folder.path),
        "date": str(record["date"]),
        "version": str(record["versions"]["micro"]),
        "steel": str(told.get("steel", "")),
        "route": str(told.get("route", "")),
        "heat_treatment": shown,
        "plane": str(told.get("plane", "")),
        "fields": int(own["fields"].max()) if own["fields"].notna().any() else 0,
        "um_per_px": float(folder.um_per_px[name]),
        "settings": given_settings(told),
        "carbide_classes": ", ".join(c for c in dict.fromkeys(own["carbide_class"]) if c != "all"),
        **_structure(own),
        **_toughness(folder, name),
        **_composition(folder, told),
        "_treatment": treatment,
        "_polarity": {str(f["settings"].get("carbides", "")) for f in told["fields"]} - {"auto"},
        "_pictures": pictures_of(record, name),
    }


def _triple(name: str, row: Mapping[Any, Any], value: str = "mean") -> dict[str, float]:
    return {
        name: float(row[value]), f"{name}_low": float(row["ci95_low"]), f"{name}_high": float(row["ci95_high"])
    }  # fmt: skip


def _structure(own: pd.DataFrame) -> dict[str, float]:
    rows = own[(own["carbide_class"] == "all") & own["quantity"].isin(STRUCTURE)].to_dict("records")
    return {key: value for row in rows for key, value in _triple(str(row["quantity"]), row).items()}


def _toughness(folder: Folder, name: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if folder.coupons is not None:
        own = folder.coupons[folder.coupons["group"] == name]
        for direction in DIRECTIONS:
            rows = own[(own["direction"] == direction) & (own["quantity"] == "toughness")].to_dict("records")
            if rows:
                found |= _triple(f"toughness_{direction}", rows[0]) | {"toughness_unit": str(rows[0]["unit"])}
        found |= _hardness(own[own["quantity"] == "hardness"])
    if folder.ratios is not None:
        for row in folder.ratios[folder.ratios["group"] == name].to_dict("records"):
            found |= _triple("transverse_ratio", row, "ratio")
    return found


def _hardness(own: pd.DataFrame) -> dict[str, Any]:
    """Hardness of the bar: of both directions, each weighted by its test bars, variances pooled."""
    if own.empty:
        return {}
    n, mean, std = (own[c].to_numpy(float) for c in ("coupons", "mean", "std"))
    count = n.sum()
    value = float((n * mean).sum() / count)
    freedom = count - len(n)
    scatter = math.sqrt(float(((n - 1) * std**2)[n > 1].sum()) / freedom) if freedom > 0 else math.nan
    half = student_t(freedom) * scatter / math.sqrt(count) if freedom > 0 else math.nan
    scale = str(own["unit"].iloc[0])
    return {"hardness": value, "hardness_low": value - half, "hardness_high": value + half, "hardness_scale": scale}


def _composition(folder: Folder, told: dict[str, Any]) -> dict[str, float]:
    steel = told["composition"]
    found = {f"{e}_in_steel": float(steel[e]) for e in ELEMENTS if e in steel}
    if folder.matrix is not None:
        own = folder.matrix[folder.matrix["specimen"] == str(told["name"])].to_dict("records")
        for row in own:
            if row["element"] in ELEMENTS:
                found |= _triple(f"{row['element']}_in_matrix", row, "in_matrix")
    return found


def _treatment(folder: Folder, told: dict[str, Any]) -> tuple[dict[str, float], str]:
    """Return number by factor where the bar has one; and words, with factors that its test bars had several of."""
    numbers = {str(k): float(v) for k, v in told.get("heat_treatment", {}).items()}
    several = []
    if folder.used is not None:
        own = folder.used[folder.used["specimen"] == str(told["name"])]
        for factor in own.columns.drop(["specimen", *MEASURED]):
            values = pd.to_numeric(own[factor], errors="coerce")
            if factor in numbers or values.isna().all():
                continue
            different = len(set(values))  # a text among them counts as one more
            if different == 1:
                numbers[str(factor)] = float(values.iloc[0])
            elif not (different == len(values) and len(values) > 2):
                several.append(f"several {factor}")
    return numbers, ", ".join([*(f"{name} {number:g}" for name, number in numbers.items()), *several])


def _coupons_of(row: dict[str, Any]) -> pd.DataFrame | None:
    used = row["_folder"].used
    if used is None:
        return None
    own = used[used["specimen"] == row["_specimen"]]
    return own.drop(columns="specimen").assign(bar=row["bar"]) if len(own) else None


SCALE_STEP = math.log(SAME_RESOLUTION)
"""Pixels whose sizes differ by less resolve alike, as in a comparison."""


def mark_unlike(rows: list[dict[str, Any]]) -> None:
    """Write into each row, by date, what was measured unlike the most common way, and which pictures stood before.

    The most common way is that of most bars: plane, size of a pixel, version and settings together; of two as common
    the later.
    """
    for row in rows:
        row["_way"] = (row["plane"], round(math.log(row["um_per_px"]) / SCALE_STEP), row["version"], row["settings"])
    ways = [row["_way"] for row in rows]
    common = max(ways[::-1], key=Counter(ways).__getitem__)
    model = [row for row in rows if row["_way"] == common][-1]
    seen: dict[frozenset[str], str] = {}
    for row in rows:
        row["unlike"] = ", ".join(_unlike(row, model))
        row["same_pictures_as"] = seen.get(row["_pictures"], "") if row["_pictures"] else ""
        seen.setdefault(row["_pictures"], row["bar"])


def _unlike(row: dict[str, Any], model: dict[str, Any]) -> Iterable[str]:
    if row["plane"] != model["plane"]:
        yield "plane"
    if abs(math.log(row["um_per_px"] / model["um_per_px"])) > SCALE_STEP:
        yield "scale"
    if row["version"] != model["version"]:
        yield "version"
    if row["settings"] != model["settings"]:
        yield "settings"
    if row["_polarity"] and model["_polarity"] and row["_polarity"] != model["_polarity"]:
        yield "polarity"


NAMING = {"carbides", "class_names"}
"""Settings that say what is looked at, not how it is measured; which way the etch turned is compared by itself."""


def given_settings(specimen: dict[str, Any]) -> str:
    """Tell settings that run.json has of a specimen beside the program's own, in words; empty where none was given."""
    defaults = vars(SegmentationSettings())
    given: dict[str, set[str]] = {}
    for field in specimen["fields"]:
        for name, value in field["settings"].items():
            plain = tuple(value) if isinstance(value, list) else value
            if name not in NAMING and name in defaults and plain != defaults[name]:
                given.setdefault(name, set()).add(_shown(value))
    words = [f"{name.replace('_', ' ')} {' or '.join(sorted(values))}" for name, values in sorted(given.items())]
    if specimen.get("taught_by"):
        words.append(f"taught by a count ({specimen.get('outlines', '')})")
    return "; ".join(words)


def _shown(value: Any) -> str:
    return ", ".join(map(str, value)) if isinstance(value, list) else f"{value:g}"


def pictures_of(record: dict[str, Any], specimen: str) -> frozenset[str]:
    """Hashes of the pictures of a specimen's measured fields."""
    own = (o for o in record["outcomes"] if o["specimen"] == specimen and not o.get("trouble"))
    return frozenset(str(o["image_sha256"]) for o in own if o.get("image_sha256"))
