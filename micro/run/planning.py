"""The plan for the next pictures of a finished run, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from micro import results
from micro.batch.job import Outcome
from micro.errors import InputError
from micro.points.plan import SECONDS_PER_POINT, fields_needed, suggested_points
from micro.report.record import untouched_run
from micro.report.wording import figures
from micro.specimens.detected import A90, NUMBER, PUT_RIGHT
from micro.specimens.planning import (
    BANDS_IN_A_FIELD,
    Measured,
    Needed,
    expected_of_one_field,
    fields_for,
    magnification_advice,
    measured_so_far,
)
from micro.specimens.quantities import READ_COLUMNS, SUMMED_COLUMNS
from micro.tables.columns import FIELDS, SPECIMENS, names

# From this share of carbides missed on the plan speaks of the magnification (chosen).
MANY_MISSED = 0.05


def plan_lines(folder: Path, accuracy_pct: float) -> list[str]:
    """Say for each specimen of a run what to photograph next.

    Raises
    ------
    InputError
        Where the folder holds no finished run, or its tables were changed.
    """
    record = untouched_run(folder)
    particles = results.read_table(folder / results.PARTICLES, READ_COLUMNS, repetitive=True, narrow=SUMMED_COLUMNS)
    fields = results.read_table(folder / results.FIELDS, names(FIELDS))
    specimens = results.read_table(folder / results.SPECIMENS, names(SPECIMENS))
    lines = []
    for specimen in record.study.specimens:
        own = [table[table["specimen"] == specimen.name] for table in (particles, fields, specimens)]
        if own[1].empty:
            lines.append(f"{specimen.name}: no field was measured; photograph one first")
            continue
        measured = measured_so_far(*own)
        seconds = [o.seconds for o in record.outcomes if o.specimen == specimen.name and not o.trouble]
        lines += [
            f"{specimen.name}: {number_of_fields(measured.fields)} measured, "
            f"area fraction {figures(100 * measured.fraction, 0)} %",
            *(f"  {said}" for said in specimen_lines(measured, accuracy_pct, sum(seconds) / len(seconds))),
            *(f"  {said}" for said in detection_lines(own[2])),
            *(f"  {said}" for said in band_lines(measured, smallest_across(folder, own[1], record.outcomes))),
        ]
    return lines


def specimen_lines(measured: Measured, accuracy_pct: float, seconds_a_field: float) -> list[str]:
    """Fields needed, time, and what helps most."""
    if not measured.fraction > 0:
        return ["no carbide was found: --expected-pct plans without results"]
    if not math.isfinite(measured.of_one_field):
        return ["one field cannot tell how the bar scatters: photograph at least four, far apart, then plan again"]
    needed = fields_for(measured.of_one_field, measured.shared, accuracy_pct)
    told = [needed_words(needed, measured, accuracy_pct)]
    if needed.fields is not None and needed.fields > measured.fields and not measured.reaches(accuracy_pct):
        told.append(time_words(measured.fraction, needed.fields, accuracy_pct, seconds_a_field))
    told.append(magnification_advice(measured, needed))
    if measured.fields == 1:
        told.append("planned from one field, as if the bar were like it: plan again with four or more")
    elif measured.places_differ:
        told.append("fields differ more than each differs within itself: spread them over the bar")
    return told


def needed_words(needed: Needed, measured: Measured, accuracy_pct: float) -> str:
    """Say how many fields the wanted accuracy takes, and whether these reach it, as the intervals of few fields may."""
    if measured.reaches(accuracy_pct):
        return f"{accuracy_pct:g} %RA is reached: these fields give {100 * measured.reached:.2g} %RA"
    if needed.fields is None:
        return f"{accuracy_pct:g} %RA cannot be had by more fields"
    more = needed.fields - measured.fields
    if more <= 0:
        given = f"; these give {100 * measured.reached:.2g} %RA" if math.isfinite(measured.reached) else ""
        return f"{accuracy_pct:g} %RA should take {number_of_fields(needed.fields)}{given}"
    return f"{accuracy_pct:g} %RA takes about {number_of_fields(needed.fields)} of this size, {more} more"


def number_of_fields(fields: int) -> str:
    """Write a number of fields."""
    return f"{fields} field{'s' * (fields != 1)}"


def time_words(fraction: float, fields: int, accuracy_pct: float, seconds_a_field: float) -> str:
    """Say how long measuring so many fields takes, and counting to the same accuracy by hand (ASTM E562)."""
    return (
        f"measuring them takes about {duration(fields * seconds_a_field)} on one core; a count to the same accuracy "
        f"takes {counting_words(fraction, accuracy_pct)}"
    )


def counting_words(fraction: float, accuracy_pct: float) -> str:
    """Say what a count by hand takes."""
    points = suggested_points(fraction)
    counted = fields_needed(fraction, points, accuracy_pct)
    minutes = max(1, round(counted * points * SECONDS_PER_POINT / 60))
    return f"{points} points on {number_of_fields(counted)}, about {minutes} min"


def duration(seconds: float) -> str:
    """Write a time in seconds or minutes."""
    return f"{max(1, round(seconds))} s" if seconds < 90 else f"{round(seconds / 60)} min"


def band_lines(measured: Measured, across_um: float) -> list[str]:
    """Say whether the fields are long enough across rolling to hold three bands."""
    wanted = BANDS_IN_A_FIELD * measured.band_spacing
    if not math.isfinite(wanted):
        return []
    told = f"bands {measured.band_spacing:.3g} µm apart: a field should be {wanted:.3g} µm across rolling to hold three"
    if across_um >= wanted:
        return [f"{told}, and these are {across_um:.3g} µm"]
    return [f"{told}; these are {across_um:.3g} µm: photograph at a lower magnification, or stitch"]


def detection_lines(specimens: pd.DataFrame) -> list[str]:
    """Say which carbides the pictures show, and what a finer picture would; nothing where it was not looked for."""
    own = specimens[specimens["carbide_class"] == "all"].drop_duplicates("quantity").set_index("quantity")["mean"]
    a90, raw, right = (float(own.get(name, math.nan)) for name in (A90, NUMBER, PUT_RIGHT))
    if not math.isfinite(a90):
        return []
    told = f"carbides above {a90:.2g} µm are found nine times in ten"
    if not math.isfinite(right):
        return [f"{told}; most lie below: only a higher magnification finds them"]
    missed = 1 - raw / right
    if missed < MANY_MISSED:
        return [f"{told}; few are smaller"]
    share = f"about {100 * missed:.0f} of 100 are missed"
    return [f"{told}, {share}: twice the magnification finds those above about {a90 / 2:.2g} µm"]


def smallest_across(folder: Path, fields: pd.DataFrame, outcomes: Sequence[Outcome]) -> float:
    """Smallest extent of a specimen's fields across the rolling direction, µm, from their label pictures."""
    import tifffile

    stems = {(o.specimen, o.field): o.stem for o in outcomes}
    found = []
    for row in fields[fields["carbide_class"] == "all"].to_dict("records"):
        path = folder / results.LABELS / f"{stems[row['specimen'], row['field']]}.tif"
        try:
            with tifffile.TiffFile(path) as file:
                rows, columns = file.pages[0].shape[:2]
        except (OSError, ValueError) as trouble:
            raise InputError(path, f"cannot be read ({str(trouble)[:60]})", results.RUN_AGAIN) from None
        turn = math.radians(row["rolling_deg"])
        # The longest line across rolling that the frame holds through its middle.
        parts = ((rows, abs(math.cos(turn))), (columns, abs(math.sin(turn))))
        sides = [side / part for side, part in parts if part > 1e-9]
        found.append(min(sides) * row["um_per_px"])
    return min(found)


def expected_lines(expected_pct: float, accuracy_pct: float, ecd_um: float | None, area_um2: float) -> list[str]:
    """Plan without results: a count by the formula of the standard, and fields to measure where a size is expected.

    Parameters
    ----------
    ecd_um
        Expected mean diameter; None: only the count is planned.
    area_um2
        Of a field.
    """
    fraction = expected_pct / 100
    lines = [
        f"{expected_pct:g} % expected, {accuracy_pct:g} %RA wanted",
        f"  counting: {counting_words(fraction, accuracy_pct)} (ASTM E562, from memory)",
    ]
    if ecd_um is None:
        return [*lines, "  measuring: --ecd-um plans it"]
    needed = fields_for(expected_of_one_field(fraction, ecd_um, area_um2), 0.0, accuracy_pct)
    if needed.fields is None:
        return [*lines, "  measuring: more fields than can be had; take a lower magnification"]
    return [
        *lines,
        f"  measuring: {number_of_fields(needed.fields)} of {figures(area_um2, area_um2 / 20)} µm², if carbides lie at "
        "random; bands and clusters take more: plan again from the first four",
    ]
