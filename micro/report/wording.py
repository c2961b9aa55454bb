"""Words of the report: names of quantities, messages, methods, the terminal."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from micro.batch.job import Outcome, library_versions
from micro.points.wording import MINUS
from micro.segmentation.segmentation import UNNAMED
from micro.study.model import Study

if TYPE_CHECKING:
    import pandas as pd

# Quantities under the question they answer, each with its name for a reader.
GROUPS = {
    "Amount": {
        "area_fraction": "area fraction A_A",
        "area_fraction_of_these_fields": "area fraction of just these fields",
        "area_fraction_by_outlines": "area fraction by the outlines, not put right",
        "point_fraction": "point fraction P_P, counted by a person",
        "point_fraction_of_these_fields": "point fraction of just these fields",
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
    return "%" if "_fraction" in quantity or quantity.endswith(("_share", "share_at_random")) else unit


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


NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.]*\w)")


def told_once(said: Iterable[tuple[str, str]]) -> list[tuple[str, list[str]]]:
    """Return each message once, with the places it holds for; where numbers differ, the place of the largest first.

    Parameters
    ----------
    said
        Message and place, such as a picture's name.

    Examples
    --------
    >>> told_once([("0.2 % left out", "a1"), ("3 % left out", "a2")])
    [('0.2 to 3 % left out', ['a2', 'a1'])]
    """
    alike: dict[str, list[tuple[str, str]]] = {}
    for message, place in said:
        alike.setdefault(NUMBER.sub("#", message), []).append((message, place))
    return [_one(group) for group in alike.values()]


def listed(places: list[str], most: int) -> str:
    """Return the first places by name and the number of the others."""
    if len(places) <= most + 1:
        return ", ".join(places)
    return f"{', '.join(places[:most])} and {len(places) - most} more"


def _one(group: list[tuple[str, str]]) -> tuple[str, list[str]]:
    messages = [message for message, _ in group]
    if len(set(messages)) == 1:
        return messages[0], [place for _, place in group]
    numbers = [NUMBER.findall(message) for message in messages]
    ranges = [sorted(set(column), key=float) for column in zip(*numbers, strict=True)]
    differing = next(k for k, found in enumerate(ranges) if len(found) > 1)
    words = iter(f"{found[0]} to {found[-1]}" if len(found) > 1 else found[0] for found in ranges)
    order = sorted(range(len(group)), key=lambda k: -float(numbers[k][differing]))
    return NUMBER.sub(lambda _: next(words), messages[0]), [group[k][1] for k in order]


def methods(study: Study, outcomes: Sequence[Outcome], fields: pd.DataFrame) -> list[str]:
    """Paragraphs with the numbers of this run and the standards followed."""
    return [
        _taken(study, outcomes, fields),
        "Grey levels were flattened for uneven light by the local level of the matrix. Carbides were outlined at half "
        "height between the local matrix level and the level of their carbide class; touching carbides were separated "
        f"by a watershed; outlines below {_smallest(study)} px were not counted. The area of each carbide is its "
        "integrated contrast over the local matrix divided by the contrast of resolved carbide, which blur does not "
        "change. Every carbide counts for the area fraction; carbides cut by the edge of the frame leave the size "
        "statistics, and the others are weighted for it (Miles and Lantuéjoul).",
        "Intercepts were counted on parallel lines one pixel apart along and across the rolling direction (ASTM E1268, "
        "written from memory: anisotropy index AI, degree of orientation Ω12, mean band spacing SB⊥, mean free path). "
        "Banding was tested against the same carbides placed at random, and nearest neighbours against such placements "
        "without overlap. Area fraction equals volume fraction in the mean over random sections (E. E. Underwood, "
        "Quantitative Stereology, 1970).",
        "Intervals are 95 % intervals with the fields as the sampling unit (Student t), combined with the uncertainty "
        "of the segmentation and of the scale. %RA is half the interval over the mean (ASTM E562).",
    ]


def _taken(study: Study, outcomes: Sequence[Outcome], fields: pd.DataFrame) -> str:
    measured = sum(not o.trouble for o in outcomes)
    every = fields[fields["carbide_class"] == "all"]
    if every.empty:
        return "No field could be measured."
    sizes = sorted(set(every["um_per_px"].round(6)))
    area = every["analysed_area_um2"].sum() / 1e6
    origins = list(dict.fromkeys(o.scale_origin for o in outcomes if o.scale_origin))
    pixel = f"{sizes[0]:g} µm" if len(sizes) == 1 else f"{sizes[0]:g} to {sizes[-1]:g} µm"
    count = len(study.specimens)
    return (
        f"{measured} fields of {count} specimen{'s' * (count != 1)}, {area:.3g} mm² in all, were measured with micro "
        f"{library_versions()['micro']}; the size of a pixel is {pixel} ({'; '.join(origins) or 'origin unknown'})."
    )


def _smallest(study: Study) -> str:
    sizes = sorted({f.settings.min_area_px for s in study.specimens for f in s.fields})
    return f"{sizes[0]:g}" if len(sizes) == 1 else f"{sizes[0]:g} to {sizes[-1]:g}" if sizes else "the smallest"


# Quantity, heading, factor from the table's unit to the printed one.
SHOWN = (
    ("area_fraction", "area %", 100.0),
    ("ecd_d50", "ECD d50 µm", 1.0),
    ("ecd_d90", "ECD d90 µm", 1.0),
    ("largest_ecd", "largest µm", 1.0),
    ("mean_aspect_ratio", "aspect", 1.0),
    ("elongation_along_rolling", "along/across", 1.0),
)
COLUMNS = 80


def printed(text: str) -> str:
    """Text with the signs that every terminal can show."""
    return text.replace(MINUS, "-").replace(THIN_SPACE, " ")


def wrapped(text: str) -> str:
    """Text in lines of at most 80 columns; those after the first are indented."""
    return textwrap.fill(printed(text), COLUMNS, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def specimen_table(study: Study, specimens: pd.DataFrame) -> str:
    """Lines of at most 80 columns: each specimen, each quantity with its 95 % interval, per carbide class."""
    lines = []
    for specimen in study.specimens:
        own = specimens[specimens["specimen"] == specimen.name]
        if own.empty:
            lines.append(f"{specimen.name}: no field was measured")
            continue
        fields = int(own["fields"].max())
        known = f"{fields} fields, 95 % intervals" if fields > 1 else "1 field: 95 % intervals need two or more"
        lines.append(f"{specimen.name}, {known}")
        for carbide_class, title in _classes(own):
            lines += _class_lines(own[own["carbide_class"] == carbide_class], title)
    return "\n".join(lines)


def _classes(own: pd.DataFrame) -> list[tuple[str, str]]:
    """Return the classes with their titles; one class alone is all carbides."""
    found = list(dict.fromkeys(own["carbide_class"]))
    if len(found) == 2:
        name = one_class(found)
        return [("all", f"all carbides ({name})" if name else "all carbides")]
    return [(c, "all carbides" if c == "all" else c) for c in found]


def _class_lines(rows: pd.DataFrame, title: str) -> list[str]:
    by_quantity = rows.drop_duplicates("quantity").set_index("quantity")
    cells = []
    for quantity, heading, factor in SHOWN:
        if quantity in by_quantity.index:
            mean, low, high = by_quantity.loc[[quantity], ["mean", "ci95_low", "ci95_high"]].to_numpy(float)[0] * factor
            shown = printed(with_half_width(mean, low, high))
            cells.append(f"{heading:<13}{shown}")
    body = [f"  {left:<38}{right}".rstrip() for left, right in zip(cells[::2], [*cells[1::2], ""], strict=False)]
    return [f"  {title}", *("  " + line for line in body)]
