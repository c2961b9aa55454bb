"""Plain names of the quantities, and numbers as people read them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from micro.points.wording import MINUS
from micro.segmentation.segmentation import UNNAMED

# Quantities under the question they answer, each with its name for a reader.
GROUPS = {
    "Amount": {
        "area_fraction": "area fraction A_A",
        "point_fraction": "point fraction P_P, counted by a person",
        "number_per_mm2": "number per area N_A",
        "surface_per_volume": "carbide surface per volume S_V",
    },
    "Size": {
        "mean_ecd": "mean diameter (ECD)",
        "area_weighted_ecd": "mean diameter weighted by area",
        "ecd_d10": "10 % of the carbides are smaller than",
        "ecd_d50": "half of the carbides are smaller than",
        "ecd_d90": "90 % of the carbides are smaller than",
        "ecd_d10_by_area": "10 % of the carbide area is in those below",
        "ecd_d50_by_area": "half of the carbide area is in those below",
        "ecd_d90_by_area": "90 % of the carbide area is in those below",
        "largest_ecd": "largest diameter seen",
        "mean_chord_along": "mean chord along rolling",
        "mean_chord_across": "mean chord across rolling",
    },
    "Elongation and direction": {
        "mean_aspect_ratio": "mean aspect ratio",
        "elongation_along_rolling": "length along over width across rolling",
        "orientation_order": "order of long axes (1 along, 0 none, −1 across)",
        "intercepts_along": "intercepts per length N_L along rolling",
        "intercepts_across": "intercepts per length N_L across rolling",
        "anisotropy_index": "anisotropy index AI",
        "degree_of_orientation": "degree of orientation Ω12",
    },
    "Bands and spacing": {
        "mean_band_spacing": "mean band spacing SB⊥",
        "mean_free_path": "mean free path across rolling",
        "banded_fields_share": "fields banded beyond chance",
        "band_contrast": "band contrast (relative scatter across rolling)",
        "band_contrast_at_random": "band contrast at random",
        "band_spacing": "spacing of the strongest bands, banded fields",
        "lane_width": "width of carbide-poor lanes, banded fields",
        "nearest_neighbour": "distance of nearest neighbours",
        "neighbour_ratio": "neighbour distance over random (below 1 clustered)",
        "neighbour_alignment": "neighbours along rolling (1 all, 0 none)",
        "stringer_share": "carbides in rows along rolling",
        "stringer_share_at_random": "carbides in such rows at random",
    },
    "Resolution": {
        "resolved_diameter": "smallest resolved diameter",
        "unresolved_share": "share of carbide area below it",
    },
}
NAMES = {quantity: name for group in GROUPS.values() for quantity, name in group.items()}


def group_of(quantity: str) -> str:
    """Heading under which a quantity stands."""
    return next((heading for heading, group in GROUPS.items() if quantity in group), "Other")


def plain_name(quantity: str) -> str:
    """Name of a quantity for a reader."""
    return NAMES.get(quantity, quantity.replace("_", " "))


def one_class(classes: Sequence[str]) -> str:
    """Name that the user gave to the only class of a specimen; empty where there are more, or none was given."""
    named = [name for name in classes if name not in ("all", UNNAMED)]
    return named[0] if len(named) == len(classes) - 1 == 1 else ""


def printed_unit(quantity: str, unit: str) -> str:
    """Return the unit as printed: fractions become percent."""
    return "%" if quantity.endswith(("fraction", "_share", "share_at_random")) else unit


def printed_factor(quantity: str) -> float:
    """Factor from the table's value to the printed one."""
    return 100.0 if printed_unit(quantity, "") == "%" else 1.0


THIN_SPACE = "\u202f"


def figures(value: float, uncertainty: float) -> str:
    """Write a value as far as its uncertainty lets it be known; three significant figures where that is unknown."""
    if not math.isfinite(value):
        return "unknown"
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return _plain(value, 2 - math.floor(math.log10(abs(value))) if value else 0)
    return _plain(value, decimals_known(uncertainty))


def decimals_known(uncertainty: float) -> int:
    """Decimals down to the second figure of an uncertainty, to the first where that is 4 or more."""
    power = math.floor(math.log10(uncertainty))
    return (1 if round(uncertainty / 10.0**power, 9) < 3.55 else 0) - power


def _plain(value: float, decimals: int) -> str:
    """Digits without exponent; a narrow space between thousands from five digits on, and no minus before zero."""
    rounded = round(value, decimals) + 0.0
    digits = f"{abs(rounded):.{min(max(decimals, 0), 6)}f}"
    if abs(rounded) >= 1e4:
        digits = f"{abs(rounded):,.0f}".replace(",", THIN_SPACE)
    return (MINUS if rounded < 0 else "") + digits


def with_ends(value: float, low: float, high: float) -> str:
    """Write a value with the ends of its 95 % interval; says so where the interval is unknown."""
    if not math.isfinite(value):
        return "unknown"
    if not (math.isfinite(low) and math.isfinite(high)):
        return f"{figures(value, 0)} (interval unknown)"
    half = (high - low) / 2
    return f"{figures(value, half)} ({figures(low, half)} to {figures(high, half)})"


def with_unit(text: str, unit: str) -> str:
    """Put a unit behind the value of what `with_ends` wrote, before the brackets."""
    value, bracket, rest = text.partition(" (")
    return text if unit in ("", "nan") or value == "unknown" else f"{value}\u00a0{unit}{bracket}{rest}"


def with_half_width(value: float, low: float, high: float) -> str:
    """Write a value ± half of its 95 % interval where that is symmetric, with both ends where not."""
    if not (math.isfinite(value) and math.isfinite(low) and math.isfinite(high)):
        return with_ends(value, low, high)
    up, down = high - value, value - low
    if abs(up - down) > 0.1 * max(up, down) or up + down == 0:
        return with_ends(value, low, high)
    half = (up + down) / 2
    return f"{figures(value, half)} ± {figures(half, half)}"
