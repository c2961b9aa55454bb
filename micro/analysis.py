"""What a measured study answers: specimens compared, coupons, structure against toughness, chemistry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from micro import results
from micro.batch.fields import pictures_of, specimen_scale_uncertainty
from micro.batch.job import Outcome
from micro.errors import InputError, MicroError
from micro.points.kept import stored_tallies
from micro.processes import give_back_memory
from micro.study.model import Study
from micro.tables.columns import CHEMISTRY, COMPARISON, MATRIX, SIZES, empty, rows_where

if TYPE_CHECKING:
    import pandas as pd

    from micro.comparison.coupons import CouponAnalysis
    from micro.comparison.measured import MeasuredSpecimen
    from micro.points.agreement import Agreement


STRUCTURE = ("area_fraction", "anisotropy_index", "banding_beyond_random")
LARGEST, COARSE = "largest_ecd", "ecd_d90_by_area"
UNEQUAL_FIELDS = 1.25
"""Most over fewest fields from which the largest carbides seen are no longer those of one area (chosen, as for two
bars): the size that 90 % of the carbide area lies below is taken instead."""
STRUCTURE_COLUMNS = [
    "quantity", "unit", "specimen", "route", "x", "x_low", "x_high", "ratio", "ratio_low", "ratio_high",
]  # fmt: skip


@dataclass(frozen=True, eq=False)
class PointCount:
    """Count by people beside the result, None where nobody counted; a line where the tallies cannot be used."""

    agreement: Agreement | None
    troubles: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Analysis:
    """What the tables of a study say together.

    Parameters
    ----------
    specimens
        What was compared, in the order of the study.
    comparison, chemistry, matrix
        Columns COMPARISON, CHEMISTRY and MATRIX of `micro.tables.columns`; no rows where there is nothing to tell.
    coupons, structure
        Toughness coupons, and the transverse ratios over the structure; None where the study names no coupons.
    count
        Count by people; None where nobody counted.
    troubles
        One line for each thing that could not be used.
    """

    specimens: tuple[MeasuredSpecimen, ...]
    comparison: pd.DataFrame
    chemistry: pd.DataFrame
    coupons: CouponAnalysis | None
    structure: pd.DataFrame | None
    count: Agreement | None
    troubles: tuple[str, ...]
    matrix: pd.DataFrame

    @cached_property
    def sizes(self) -> pd.DataFrame:
        """Columns SIZES of every specimen with carbides, fitted when asked for: no sentence of the answer needs it."""
        import pandas as pd

        from micro.comparison.measured import class_of
        from micro.specimens.in_space import sizes_in_space

        own = [s for s in self.specimens if len(s.particles)]
        found = [sizes_in_space(s.name, class_of(s, "all"), s.resolved_um) for s in own]
        return pd.concat(found, ignore_index=True) if found else empty(SIZES)


def analyse_study(
    study: Study,
    outcomes: tuple[Outcome, ...],
    tables: dict[str, pd.DataFrame],
    count: PointCount,
) -> Analysis:
    """Compare what was measured, and set it against coupons and chemistry.

    Parameters
    ----------
    tables
        "particles", "fields" and "specimens" of the whole study.
    count
        From `read_count`.
    """
    specimens = measured_specimens(study, outcomes, tables)
    troubles = list(count.troubles)
    coupons = _coupons(study, troubles)
    chemistry, matrix = _chemistry(study, tables["specimens"], troubles)
    comparison = _compared(specimens, study.reference)
    give_back_memory()
    return Analysis(
        specimens=specimens,
        comparison=comparison,
        chemistry=chemistry,
        coupons=coupons,
        structure=None if coupons is None else _structure(study, tables["specimens"], coupons),
        count=count.agreement,
        troubles=tuple(troubles),
        matrix=matrix,
    )


def read_count(out: Path, outcomes: tuple[Outcome, ...]) -> PointCount:
    """Set the tallies that the results folder keeps against the tables and labels in it."""
    if not stored_tallies(out):
        return PointCount(None)
    from micro.points.agreement import stored_agreement

    try:
        return PointCount(stored_agreement(out, pictures_of(outcomes)))
    except MicroError as trouble:
        return PointCount(None, (str(trouble),))


def measured_specimens(
    study: Study, outcomes: tuple[Outcome, ...], tables: dict[str, pd.DataFrame]
) -> tuple[MeasuredSpecimen, ...]:
    """Specimens that have a measured field, with their rows of the tables."""
    from micro.comparison.measured import MeasuredSpecimen

    fields, particles = tables["fields"], tables["particles"]
    found = []
    for specimen in study.specimens:
        own = fields[fields["specimen"] == specimen.name]
        if len(own):
            carbides = rows_where(particles, particles["specimen"] == specimen.name)
            scale = specimen_scale_uncertainty(outcomes, specimen)
            found.append(MeasuredSpecimen(specimen.name, own, carbides, specimen.plane, scale))
    return tuple(found)


def _compared(specimens: Sequence[MeasuredSpecimen], reference: str) -> pd.DataFrame:
    """Pairs of specimens, each with the reference set against it; of a single one there is nothing to tell."""
    if len(specimens) < 2:
        return empty(COMPARISON)
    from micro.comparison.pairs import compare

    return compare(sorted(specimens, key=lambda specimen: specimen.name != reference))


def _structure(study: Study, specimens: pd.DataFrame, coupons: CouponAnalysis) -> pd.DataFrame:
    return structure_against_toughness(specimens, coupons.ratios, {s.name: s.route for s in study.specimens})


def structure_against_toughness(
    specimens: pd.DataFrame, ratios: pd.DataFrame, routes: Mapping[str, str] | None = None
) -> pd.DataFrame:
    """Points for the figure: the transverse toughness ratio of each specimen over its structure.

    Parameters
    ----------
    specimens
        Columns SPECIMENS of `micro.tables.columns`; all carbides together are taken.
    ratios
        Columns TRANSVERSE_RATIOS of `micro.tables.columns`; `group` must be the specimen's name.
    routes
        Route of each specimen, where told.

    Returns
    -------
    pandas.DataFrame
        quantity, unit, specimen, route, x, x_low, x_high, ratio, ratio_low, ratio_high; no rows for a quantity with
        fewer than three specimens that have both.
    """
    from micro.statistics.ranks import LEAST_POINTS

    whole = specimens[(specimens["carbide_class"] == "all") & specimens["specimen"].isin(ratios["group"])]
    searched = whole.loc[whole["quantity"] == LARGEST, "fields"]
    largest = COARSE if searched.max() > UNEQUAL_FIELDS * searched.min() else LARGEST
    own = whole[whole["quantity"].isin([*STRUCTURE, largest])]
    own = own.assign(route=[(routes or {}).get(name, "") for name in own["specimen"]])
    shown = {"mean": "x", "ci95_low": "x_low", "ci95_high": "x_high"}
    of_ratio = {"group": "specimen", "ratio": "ratio", "ci95_low": "ratio_low", "ci95_high": "ratio_high"}
    points = (
        own.rename(columns=shown)
        .merge(ratios[list(of_ratio)].rename(columns=of_ratio), on="specimen")
        .dropna(subset=["x", "ratio"])[STRUCTURE_COLUMNS]
    )
    enough = points.groupby("quantity")["specimen"].transform("nunique") >= LEAST_POINTS
    return points[enough].reset_index(drop=True)


def _coupons(study: Study, troubles: list[str]) -> CouponAnalysis | None:
    if study.coupons is None:
        return None
    from micro.comparison.coupon_file import read_coupons
    from micro.comparison.coupons import analyse_coupons

    try:
        coupons = read_coupons(study.coupons)
    except MicroError as trouble:
        troubles.append(str(trouble))
        return None
    troubles += [*coupons.problems, *_unknown_names(study, coupons.table["specimen"])]
    return analyse_coupons(coupons)


def _unknown_names(study: Study, broken: pd.Series) -> list[str]:
    """One line where a specimen has no test bars while others are of none: most likely one name, typed twice."""
    told = list(dict.fromkeys(broken.astype(str)))
    without = [s.name for s in study.specimens if s.name not in told]
    strange = [name for name in told if not any(name == s.name for s in study.specimens)]
    if study.coupons is None or not (without and strange):
        return []
    problem = f"names {', '.join(strange)}, which the study file does not, and no test bars of {', '.join(without)}"
    return [str(InputError(study.coupons, problem, "write the same name in both files"))]


def _chemistry(study: Study, specimens: pd.DataFrame, troubles: list[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Mass balance of every specimen whose composition is given: ceilings, and what the matrix keeps."""
    ceilings, kept = [empty(CHEMISTRY)], [empty(MATRIX)]
    if not any(specimen.composition for specimen in study.specimens):
        return ceilings[0], kept[0]
    from micro.carbides import carbide_ranges
    from micro.comparison.chemistry import chemistry_check
    from micro.comparison.matrix import matrix_table

    for specimen in study.specimens:
        measured = (specimens["specimen"] == specimen.name).any()
        if specimen.composition and measured:
            try:
                ceilings.append(chemistry_check(specimen.name, specimen.composition, specimens))
                ranges = carbide_ranges(study.carbides)
                kept.append(matrix_table(specimen.name, specimen.composition, specimens, ranges))
            except MicroError as trouble:
                troubles.append(str(trouble))
    return _joined(ceilings), _joined(kept)


def _joined(tables: list[pd.DataFrame]) -> pd.DataFrame:
    import pandas as pd

    return pd.concat([t for t in tables if len(t)] or tables, ignore_index=True)


def write_analysis(answer: Analysis, out: Path) -> None:
    """Write the tables that the sentences of an answer rest on."""
    coupons = answer.coupons
    tables = {
        results.COMPARISON: answer.comparison,
        results.CHEMISTRY: answer.chemistry,
        results.MATRIX: answer.matrix,
        results.COUPONS: None if coupons is None else coupons.summary,
        results.COUPONS_USED: None if coupons is None else coupons.used,
        results.RATIOS: None if coupons is None else coupons.ratios,
        results.GROUP_RATIOS: None if coupons is None else coupons.groups,
        results.STRUCTURE: answer.structure,
        results.POINTS: None if answer.count is None else answer.count.fields,
        results.COUNTERS: None if answer.count is None else answer.count.counters,
    }
    _write(tables, out)


def write_sizes(answer: Analysis, out: Path) -> None:
    """Write the sizes in space."""
    _write({results.SIZES: answer.sizes}, out)


def _write(tables: Mapping[str, pd.DataFrame | None], out: Path) -> None:
    """Write tables as CSV; one that is empty now but stood there before is removed."""
    for name, table in tables.items():
        if table is None or table.empty:
            (out / name).unlink(missing_ok=True)
        else:
            results.write_table(out / name, table)
