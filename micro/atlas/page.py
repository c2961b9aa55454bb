"""An atlas from results folders to the files it leaves: the page, one file that holds all it shows, and its tables."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from micro import results
from micro.atlas.bars import Atlas, read_atlas
from micro.atlas.drawing import Drawing, ends_in, scatter_figures, series_figures, treatment_words
from micro.atlas.relations import CAUTIONS, RELATIONS, correlations, rho_words, sentences, series_table
from micro.errors import UsageError, writing
from micro.owned import Origin, claimed
from micro.pictures.page import address_of, content_policy, only, rendered, template_text
from micro.report.wording import listed, route_words, with_ends
from micro.tables.columns import ELEMENTS

MOST_NAMED = 5
SHOWN = (
    ("area_fraction", "carbide, %"), ("mean_ecd", "mean ECD, µm"), ("largest_ecd", "largest ECD, µm"),
    ("elongation_along_rolling", "along over across"), ("anisotropy_index", "anisotropy index"),
    ("banding_beyond_random", "banding beyond random"),
)  # fmt: skip


@dataclass(frozen=True)
class AtlasTable:
    """A table of the page."""

    id: str
    title: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    note: str = ""


READ = (results.RECORD, results.FIELDS, results.SPECIMENS, results.COUPONS, results.RATIOS, results.COUPONS_USED,
        results.MATRIX)  # fmt: skip


def build_atlas(folders: Sequence[Path], out: Path) -> tuple[Atlas, list[str]]:
    """Read the bars of all folders and write page, tables and figures; return them, and what the ranks say.

    Raises
    ------
    UsageError
        Where no folder holds a bar, or `out` is not the atlas of these folders, is in use, or cannot be written.
    """
    atlas = read_atlas(folders)
    if atlas.bars.empty:
        first = f" ({atlas.problems[0]})" if atlas.problems else ""
        raise UsageError("RESULTS", f"no bar can be used{first}", "give results folders of finished runs")
    ranks, series = correlations(atlas.bars), series_table(atlas)
    figures, lines = scatter_figures(atlas.bars), series_figures(series, atlas.bars)
    tables = {results.ATLAS: atlas.bars, results.SERIES: series, results.CORRELATIONS: ranks}
    written = {name: results.table_bytes(table) for name, table in tables.items() if len(table)}
    page = atlas_page(atlas, ranks, figures, lines, written).encode(errors="backslashreplace")
    written |= {f"{results.FIGURES}/{one.name}.svg": one.svg.encode() for one in (*figures, *lines)}
    written[results.ATLAS_PAGE] = page
    read = tuple(Path(folder) / name for folder in folders for name in READ)
    with claimed(out, Origin("atlas", tuple(map(Path, folders)), read), written), writing(out):
        for name, content in written.items():
            with results.whole_file(out / name) as stream:
                stream.write(content)
    return atlas, sentences(atlas.bars, ranks)


def atlas_page(
    atlas: Atlas, ranks: pd.DataFrame, figures: Sequence[Drawing], series: Sequence[Drawing],
    tables: dict[str, bytes],
) -> str:  # fmt: skip
    """HTML of the atlas.

    Parameters
    ----------
    atlas, ranks
        What was read, and the ranks.
    figures, series
        Drawings.
    tables
        CSV files by their names, to take away from the page.
    """
    script = template_text("atlas", "atlas.js")
    return rendered(
        "atlas",
        "atlas.html",
        title="Atlas of bars",
        lead=lead(atlas.bars),
        style=template_text("report", "report.css") + template_text("atlas", "atlas.css"),
        script=script,
        policy=content_policy("data:", "'unsafe-inline'", only(script)),
        troubles=atlas.problems,
        sentences=sentences(atlas.bars, ranks),
        cautions=[*marks(atlas.bars), *CAUTIONS],
        downloads=[(name, address_of("text/csv", content)) for name, content in tables.items()],
        figures=figures,
        series=series,
        addresses={figure.name: address_of("image/svg+xml", figure.svg.encode()) for figure in (*figures, *series)},
        tables=[bars_table(atlas.bars), *rank_tables(ranks)],
    )


def lead(bars: pd.DataFrame) -> str:
    """Say how many bars of how many folders and dates."""
    folders, dates = bars["folder"].nunique(), sorted(bars["date"].str[:10])
    tough = int((bars["toughness_longitudinal"].notna() | bars["toughness_transverse"].notna()).sum())
    span = dates[0] if dates[0] == dates[-1] else f"{dates[0]} to {dates[-1]}"
    return (
        f"{_count(len(bars), 'bar')} of {_count(folders, 'results folder')}, measured {span}; {tough} of them with "
        "toughness."
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"


def marks(bars: pd.DataFrame) -> Iterator[str]:
    """Say which bars were measured unlike most, and which show the same pictures twice."""
    for what in ("plane", "scale", "version", "settings", "polarity"):
        own = bars[bars["unlike"].str.split(", ").map(lambda marks, what=what: what in marks)]
        if len(own):
            yield f"{MARK_WORDS[what]}: {listed(own['bar'].tolist(), MOST_NAMED)}. {OUT[what]}"
    twice = bars[bars["same_pictures_as"] != ""]
    if len(twice):
        pairs = [f"{r['bar']} (as {r['same_pictures_as']})" for r in twice.to_dict("records")]
        yield f"The same pictures, measured again: {listed(pairs, MOST_NAMED)}. They enter no ranks and no series."
    if bars["unlike"].eq("").all():
        yield "All bars show one plane and were measured at one scale, with one version and the same settings."


MARK_WORDS = {
    "plane": "Another plane than most",
    "scale": "Another size of a pixel than most, so the smallest carbides seen differ",
    "version": "Another version of the program than most",
    "settings": "Other settings than most",
    "polarity": "Carbides etched the other way, bright or dark, than most",
}
_OUT = "Drawn open, not in the ranks of bars measured alike, and not joined to the others by a line."
OUT = dict.fromkeys(MARK_WORDS, _OUT) | {"plane": "Drawn open, in no ranks, and not joined to the others by a line."}


def bars_table(bars: pd.DataFrame) -> AtlasTable:
    """Table of bars; columns that no bar has are left out."""
    rows = bars.to_dict("records")
    columns: list[tuple[str, list[str]]] = [("bar", [str(r["bar"]) for r in rows])]
    for name, title in (("steel", "steel"), ("route", "route"), ("heat_treatment", "heat treatment"),
                        ("carbide_classes", "carbide classes")):  # fmt: skip
        words = {"route": route_words, "heat_treatment": treatment_words}.get(name, str)
        columns.append((title, [words(str(r[name])) for r in rows]))
    columns += [(title, [_told(r, name) for r in rows]) for name, title in SHOWN]
    columns.append(("hardness", [_told(r, "hardness", str(r["hardness_scale"])) for r in rows]))
    for name, title in (("toughness_longitudinal", "toughness along"), ("toughness_transverse", "toughness across")):
        columns.append((title, [_told(r, name, str(r["toughness_unit"])) for r in rows]))
    columns.append(("across over along", [_told(r, "transverse_ratio") for r in rows]))
    columns += [(f"{e} in steel, %", [_plain(r[f"{e}_in_steel"]) for r in rows]) for e in ELEMENTS]
    columns += [(f"{e} in matrix, %", [_told(r, f"{e}_in_matrix") for r in rows]) for e in ELEMENTS]
    columns.append(("fields", [str(r["fields"]) for r in rows]))
    columns.append(("µm per px", [f"{r['um_per_px']:.3g}" for r in rows]))
    columns.append(("plane", [str(r["plane"]) for r in rows]))
    columns.append(("unlike most", [_unlike(r) for r in rows]))
    columns.append(("date, version", [f"{str(r['date'])[:10]}, {r['version']}" for r in rows]))
    columns.append(("folder", [str(r["folder"]) for r in rows]))
    kept = [(title, cells) for title, cells in columns if any(cells)]
    note = "Brackets hold 95 % intervals. Every number, with its ends, stands in atlas.csv."
    lines = list(zip(*(cells for _, cells in kept), strict=True))
    return AtlasTable("bars", "The bars", [title for title, _ in kept], lines, note)


def _unlike(row: dict[Any, Any]) -> str:
    again = f"same pictures as {row['same_pictures_as']}" if row["same_pictures_as"] else ""
    settings = f"{row['unlike']} ({row['settings']})" if "settings" in row["unlike"] and row["settings"] else ""
    return "; ".join(part for part in (settings or str(row["unlike"]), again) if part)


def _told(row: dict[Any, Any], name: str, unit: str = "") -> str:
    ends = ends_in(row, name)
    if not math.isfinite(ends[0]) and not math.isfinite(ends[2]):
        return ""
    return f"{with_ends(*ends)} {unit}".rstrip()


def _plain(value: float) -> str:
    return f"{value:g}" if math.isfinite(value) else ""


def rank_tables(ranks: pd.DataFrame) -> list[AtlasTable]:
    """Table of the rank correlations; none where there are none."""
    if ranks.empty:
        return []
    words = {(r.y, r.x): f"{r.y_words}, {r.x_words}" for r in RELATIONS}
    rows = [
        (
            words[row["y"], row["x"]], "rank of hardness" if row["held"] else "nothing",
            "measured alike" if row["bars"] == "alike" else "all of this plane", f"{row['points']:.0f}",
            rho_words(row) if math.isfinite(row["rho"]) else "all rank alike", _p(row["p_value"]), _p(row["p_holm"]),
        )
        for row in ranks.to_dict("records")
    ]  # fmt: skip
    columns = ("question", "held", "bars", "number", "rank correlation (95 % interval)", "p", "p among all asked")
    note = (
        "Spearman's rank correlation; with hardness held, of what its rank does not explain. p by exchange of the "
        "ranks; among all asked by Holm's rule."
    )
    return [AtlasTable("ranks", "Ranks of the bars", columns, rows, note)]


def _p(value: float) -> str:
    if not math.isfinite(value):
        return ""
    return f"{value:.2g}" if value >= 1e-3 else "below 0.001"
