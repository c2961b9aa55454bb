"""One row a counted field and class: what people counted beside what the program measured and counts itself."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.columns import POINTS, empty, names
from micro.errors import InputError
from micro.points.measured import Key, MeasuredField
from micro.points.own_count import expected_score, judge_points
from micro.points.tally import SCORE, Tally

JUDGED = ["specimen", "field", "point", "x_px", "y_px", "score", "own_score"]
NOTHING_JUDGED = pd.DataFrame({name: pd.Series(dtype="str" if name in JUDGED[:2] else "float64") for name in JUDGED})
MOST_LEFT_OUT = 0.01


def tabulate(tally: Tally, measured: Mapping[Key, MeasuredField]) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Set the fields of a tally beside the measured ones.

    Parameters
    ----------
    tally
        Every one of its fields is in `measured`, or is left out.
    measured
        Fields in the order of the rows to make.

    Returns
    -------
    Table with the columns POINTS of `micro.columns`; table of single points over all classes (JUDGED: mean score of
    the counters and of the program, 0 to 1; no rows where only totals were noted); what to know, in words.
    """
    counts = dict(list(tally.counts.groupby(["specimen", "field"], sort=False)))
    points = dict(list(tally.points.groupby(["specimen", "field"], sort=False)))
    rows: list[dict[str, object]] = []
    judged, messages = [], []
    unmeasured: dict[tuple[str, str], list[str]] = {}
    for key, field in measured.items():
        if key not in counts:
            continue
        labels = field.labels()
        for carbide_class, own in counts[key].groupby("carbide_class", sort=False):
            if carbide_class not in field.area_fractions:
                unmeasured.setdefault((key[0], str(carbide_class)), []).append(key[1])
                continue
            is_carbide = labels > 0 if carbide_class == "all" else field.class_of(labels) == carbide_class
            scored = _scored(points[key], str(carbide_class), is_carbide, tally.source)
            rows.append(_row(key, str(carbide_class), own, field, is_carbide, scored))
            if carbide_class == "all":
                judged.append(scored.dropna(subset="score"))
        if field.left_out(labels) > MOST_LEFT_OUT:
            share = f"{100 * field.left_out(labels):.0f} %"
            messages.append(f"field {key[1]!r} of {key[0]}: {share} was counted, yet left out of the measurement")
    for (specimen, carbide_class), without in unmeasured.items():
        more = f" and {len(without) - 5} more" if len(without) > 6 else ""
        fields = f"field{'s' * (len(without) > 1)} {', '.join(without[: 5 if more else 6])}{more}"
        messages.append(f"{specimen}: no {carbide_class} was measured in {fields}; that class is not compared there")
    table = pd.DataFrame(rows, columns=names(POINTS)) if rows else empty(POINTS)
    filled = [block for block in judged if len(block)]
    return table, pd.concat(filled, ignore_index=True) if filled else NOTHING_JUDGED.copy(), messages


def _scored(points: pd.DataFrame, carbide_class: str, is_carbide: NDArray[np.bool_], source: str) -> pd.DataFrame:
    """One row a point: mean score of the counters (NaN where only totals were noted), score of the program."""
    own_class = points["carbide_class"].eq(carbide_class) | (carbide_class == "all")
    score = points["verdict"].map(SCORE).astype(float)
    counted = points.assign(score=score.where(own_class | score.isna(), 0.0))
    mean = counted.groupby(["specimen", "field", "point"], as_index=False).agg(
        x_px=("x_px", "first"), y_px=("y_px", "first"), score=("score", "mean")
    )
    try:
        mean["own_score"] = judge_points(is_carbide, mean["x_px"].to_numpy(float), mean["y_px"].to_numpy(float))
    except ValueError as trouble:
        problem = f"field {mean['field'].iloc[0]!r}: {trouble}"
        raise InputError(source, problem, "give the results of the pictures that were counted") from None
    return mean[JUDGED]


def _row(
    key: Key, carbide_class: str, counts: pd.DataFrame, field: MeasuredField, is_carbide: NDArray[np.bool_],
    scored: pd.DataFrame,
) -> dict[str, object]:  # fmt: skip
    share = float(((counts["inside"] + 0.5 * counts["boundary"]) / counts["points"]).mean())
    area, own = field.area_fractions[carbide_class], float(scored["own_score"].mean())
    expected = expected_score(is_carbide)
    grid_points = int(counts["points"].iloc[0])
    apart = (scored["score"] - scored["own_score"]).to_numpy(float)
    if np.isnan(apart).any():
        # Only totals were noted: their difference is what is left of the points that differ.
        apart = np.array([(share - own) * grid_points])
    return {
        "specimen": key[0],
        "field": key[1],
        "carbide_class": carbide_class,
        "grid_points": grid_points,
        "counters": len(counts),
        "inside": int(counts["inside"].sum()),
        "boundary": int(counts["boundary"].sum()),
        "point_fraction": share,
        "area_fraction": area,
        "own_point_fraction": own,
        "own_expected_fraction": expected,
        "points_above": float(apart[apart > 0].sum()),
        "points_below": float(np.abs(apart[apart < 0]).sum()),
        "difference": share - area,
        "judged_difference": (share - own) - (area - expected),
    }


def most_apart(judged: pd.DataFrame, number: int) -> pd.DataFrame:
    """Up to `number` points at which counters and program differ by one half or more, the widest apart first."""
    apart = (judged["score"] - judged["own_score"]).abs()
    order = apart[apart >= 0.5].sort_values(ascending=False, kind="stable").index
    return judged.loc[order[:number]]
