"""Bands of every mosaic as a whole, from the tables of its parts."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from micro import results
from micro.measures.banding import SIGNIFICANCE
from micro.measures.mosaic_banding import Part, mosaic_banding
from micro.study.model import Field, Study
from micro.tables.columns import FIELDS, MOSAICS, names

WHOLE_PART = 0.99
"""Analysed share of its core from which a part enters; what was left out of others would look like bands. Chosen."""
Row = dict[Hashable, Any]
NEEDED = ["x_um", "y_um", "area_um2"]


def band_mosaics(study: Study, out: Path) -> None:
    """Write mosaics.csv, a row a mosaic; remove it where the study has none."""
    mosaics = {
        (specimen.name, field.shown, field.page): [
            f for f in specimen.fields if f.sub_field is not None and (f.image, f.page) == (field.image, field.page)
        ]
        for specimen in study.specimens
        for field in specimen.fields
        if field.sub_field is not None
    }
    if not mosaics:
        (out / results.MOSAICS).unlink(missing_ok=True)
        return
    fields = results.read_table(out / results.FIELDS, names(FIELDS))
    fields = fields[fields["carbide_class"] == "all"]
    rows = []
    for (specimen, shown, _), parts in mosaics.items():
        own = {str(row["field"]): row for row in fields[fields["specimen"] == specimen].to_dict("records")}
        rows.append({"specimen": specimen, "image": Path(shown).name, "parts": len(parts)} | _row(parts, own, out))
    results.write_table(out / results.MOSAICS, pd.DataFrame(rows, columns=names(MOSAICS)))


def _row(parts: Sequence[Field], fields: dict[str, Row], out: Path) -> dict[str, object]:
    """Measure the whole parts of a mosaic together; `fields` are the rows of its specimen by their names."""
    whole = [part for part in parts if part.name in fields and _is_whole(part, fields[part.name])]
    if not whole or whole[0].sub_field is None:
        return {"parts_used": 0}
    first = fields[whole[0].name]
    um, rolling = float(first["um_per_px"]), float(first["rolling_deg"])
    taken = [_part(part, out, um) for part in whole]
    shape = whole[0].sub_field.mosaic_rows, whole[0].sub_field.mosaic_columns
    found = mosaic_banding(taken, shape, rolling)
    spacing, low, high = (um * length for length in found.spacing)
    bands = found.bands
    banded = sum(float(fields[part.name]["band_p_value"]) <= SIGNIFICANCE for part in whole)
    return {
        "parts_used": len(whole), "parts_banded": banded, "particles": sum(len(part.x) for part in taken),
        "rolling_deg": rolling, "extent_um": found.extent * um, "band_shortest_um": bands.shortest * found.reduced * um,
        "band_contrast": bands.contrast, "band_contrast_at_random": bands.contrast_at_random,
        "band_p_value": bands.p_value, "band_spacing_um": spacing, "band_spacing_low_um": low,
        "band_spacing_high_um": high, "bands_too_wide": float(bands.too_wide),
    }  # fmt: skip


def _is_whole(part: Field, row: Row) -> bool:
    core = part.sub_field
    assert core is not None
    area = (core.bottom - core.top) * (core.right - core.left) * float(row["um_per_px"]) ** 2
    return float(row["analysed_area_um2"]) >= WHOLE_PART * area and float(row["number_per_mm2"]) >= 0


def _part(field: Field, out: Path, um_per_px: float) -> Part:
    """Read a part and its carbides from its own table: the one of all would be read once a mosaic."""
    core = field.sub_field
    assert core is not None
    carbides = results.read_table(out / results.PARTS / field.stem / results.PARTICLES, NEEDED)
    x, y, area = carbides[NEEDED].to_numpy(float).T
    edges = core.top, core.left, core.bottom, core.right
    return Part(*edges, x / um_per_px, y / um_per_px, area / um_per_px**2)
