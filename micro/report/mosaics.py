"""What every mosaic shows as a whole, in words."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from pathlib import Path
from typing import Any

from micro import results
from micro.measures.banding import SIGNIFICANCE
from micro.tables.columns import MOSAICS, names


def mosaic_sentences(out: Path, specimen: str = "") -> list[str]:
    """Say of every mosaic, or of those of one specimen, whether it is banded over its whole width."""
    if not (out / results.MOSAICS).exists():
        return []
    table = results.read_table(out / results.MOSAICS, names(MOSAICS))
    rows = table.to_dict("records")
    return [_sentence(row) for row in rows if not specimen or row["specimen"] == specimen]


def _sentence(row: Mapping[Hashable, Any]) -> str:
    value = {name: float(str(row[name])) for name in names(MOSAICS) if name not in ("specimen", "image")}
    head = f"{row['specimen']}: mosaic {row['image']}, {value['parts_used']:.0f} of {value['parts']:.0f} parts together"
    p_value = value["band_p_value"]
    if not p_value >= 0:
        return f"{head}: too little was measured whole to tell bands from chance."
    chance = f"p = {p_value:.2g}"
    if value["bands_too_wide"]:
        return f"{head}: bands wider than half of its {value['extent_um']:.0f} µm across rolling ({chance})."
    if value["band_spacing_um"] > 0:
        middle, low, high = (value[f"band_spacing{end}_um"] for end in ("", "_low", "_high"))
        return f"{head}: banded, {middle:.0f} µm apart ({low:.0f} to {high:.0f}; {chance})."
    known = f"no banding beyond chance at spacings from {value['band_shortest_um']:.0f} µm on ({chance})"
    if not value["parts_banded"]:
        return f"{head}: {known}."
    chance = f"{value['parts_used'] * SIGNIFICANCE:.0f} by chance"
    return f"{head}: {known}; {value['parts_banded']:.0f} of these parts are banded on their own ({chance})."
