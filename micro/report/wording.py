"""Plain names of the quantities, and numbers as people read them."""

from __future__ import annotations

import math

NAMES = {
    "area_fraction": "area fraction",
    "point_fraction": "point fraction, counted by a person",
    "number_per_mm2": "carbides per mm²",
    "mean_ecd": "mean diameter (ECD)",
    "area_weighted_ecd": "mean diameter, weighted by area",
    "ecd_d10": "10 % of the carbides are smaller than",
    "ecd_d50": "half of the carbides are smaller than",
    "ecd_d90": "90 % of the carbides are smaller than",
    "ecd_d10_by_area": "10 % of the carbide area is in smaller than",
    "ecd_d50_by_area": "half of the carbide area is in smaller than",
    "ecd_d90_by_area": "90 % of the carbide area is in smaller than",
    "largest_ecd": "largest diameter seen",
    "mean_aspect_ratio": "mean aspect ratio",
    "elongation_along_rolling": "length along over width across rolling",
    "intercepts_along": "intercepts per mm, along rolling",
    "intercepts_across": "intercepts per mm, across rolling",
    "anisotropy_index": "anisotropy index AI",
    "degree_of_orientation": "degree of orientation Ω12",
    "mean_free_path": "mean free path across rolling",
    "mean_band_spacing": "mean band spacing SB⊥",
    "mean_chord_along": "mean chord of carbide, along rolling",
    "mean_chord_across": "mean chord of carbide, across rolling",
    "surface_per_volume": "carbide surface per volume S_V",
    "orientation_order": "order of the long axes (1 all along rolling, 0 none)",
    "banded_fields_share": "fields banded beyond chance",
    "band_contrast": "band contrast (relative scatter across rolling)",
    "band_contrast_at_random": "the same for the carbides placed at random",
    "band_spacing": "spacing of the strongest bands, banded fields",
    "lane_width": "width of carbide-poor lanes, banded fields",
    "nearest_neighbour": "distance of nearest neighbours",
    "neighbour_ratio": "the same over that at random (below 1 clustered)",
    "neighbour_alignment": "nearest neighbours along rolling (1 all, 0 none)",
    "stringer_share": "carbides in rows along rolling",
    "stringer_share_at_random": "the same for the carbides placed at random",
    "resolved_diameter": "smallest resolved diameter",
    "unresolved_share": "carbide area in unresolved ones",
}


def plain_name(quantity: str) -> str:
    """Name of a quantity for a reader."""
    return NAMES.get(quantity, quantity.replace("_", " "))


def printed_unit(quantity: str, unit: str) -> str:
    """Return the unit as printed: fractions become percent."""
    return "%" if quantity.endswith(("fraction", "_share", "share_at_random")) else unit


def printed_factor(quantity: str) -> float:
    """Factor from the table's value to the printed one."""
    return 100.0 if printed_unit(quantity, "") == "%" else 1.0


def figures(value: float, uncertainty: float) -> str:
    """Write a value to two figures of its uncertainty; three significant figures where that is unknown."""
    if not math.isfinite(value):
        return "unknown"
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return f"{value:.3g}"
    decimals = 1 - math.floor(math.log10(uncertainty))
    if decimals >= 0:
        return f"{value:.{min(decimals, 6)}f}"
    return f"{round(value, decimals):.0f}"


def with_ends(value: float, low: float, high: float) -> str:
    """Write a value with the ends of its 95 % interval; says so where the interval is unknown."""
    if not math.isfinite(value):
        return "unknown"
    if not (math.isfinite(low) and math.isfinite(high)):
        return f"{value:.3g} (interval unknown)"
    half = (high - low) / 2
    return f"{figures(value, half)} ({figures(low, half)} to {figures(high, half)})"
