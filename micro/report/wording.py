"""Words of the report: names of quantities, messages, methods, mosaics, the terminal."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from micro import results
from micro.batch.job import Outcome, library_versions
from micro.measures.banding import SIGNIFICANCE
from micro.points.wording import MINUS
from micro.segmentation.segmentation import UNNAMED
from micro.specimens.quantities import BY_NAME, QUANTITIES
from micro.study.model import Study
from micro.tables.columns import MOSAICS, names

GROUPS = tuple(dict.fromkeys(quantity.group for quantity in QUANTITIES))


def group_of(quantity: str) -> str:
    """Heading under which a quantity stands."""
    return BY_NAME[quantity].group if quantity in BY_NAME else "Other"


def plain_name(quantity: str) -> str:
    """Name of a quantity for a reader."""
    return BY_NAME[quantity].title if quantity in BY_NAME else quantity.replace("_", " ")


ROUTES = {
    "conventional": "conventional (ingot)", "ingot-cast": "conventional (ingot)",
    "powder-metallurgy": "powder metallurgy (PM)", "powder-made": "powder metallurgy (PM)",
}  # fmt: skip
"""Routes as printed; the second word of each is read from records of earlier versions."""


def route_words(route: str) -> str:
    """Route of a bar as the trade calls it."""
    return ROUTES.get(route, route)


def one_class(classes: Sequence[str]) -> str:
    """Name that the user gave to the only class of a specimen; empty where there are more, or none was given."""
    named = [name for name in classes if name not in ("all", UNNAMED)]
    return named[0] if len(named) == len(classes) - 1 == 1 else ""


def printed_unit(quantity: str, unit: str) -> str:
    """Return the unit as printed: fractions become percent."""
    return "%" if quantity in BY_NAME and BY_NAME[quantity].is_share else unit


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
        return f"unknown, at most {figures(high, high / 10)}" if math.isfinite(high) else "unknown"
    if not (math.isfinite(low) and math.isfinite(high)):
        return f"{figures(value, 0)} (interval unknown)"
    half = (high - low) / 2
    return f"{figures(value, half)} ({figures(low, half)} to {figures(high, half)})"


def ends_of(
    row: Mapping[Any, Any], value: str = "mean", low: str = "ci95_low", high: str = "ci95_high", *, factor: float = 1.0
) -> tuple[float, float, float]:
    """Value and ends of the interval that a row of a table holds under these names; NaN where it has none."""
    found = [factor * float(row.get(name, math.nan)) for name in (value, low, high)]
    return found[0], found[1], found[2]


def with_ends_of(row: Mapping[Any, Any], *names: str, factor: float = 1.0) -> str:
    """Write what `ends_of` finds as `with_ends` does."""
    return with_ends(*ends_of(row, *names, factor=factor))


def band_swing(row: Mapping[Any, Any], shown: bool) -> str:
    """Per cent of its mean by which the amount of carbide swings across bands: root mean square, beyond chance.

    Where no bands are `shown`, the most that it may be; empty where nothing is known. `row` holds the variance beyond
    random, of which this is the root.
    """
    value, low, high = (100 * math.sqrt(max(end, 0)) for end in ends_of(row))
    if shown and value > 0:
        return with_unit(with_ends(value, low, high), "%")
    return f"at most {figures(high, high / 2)}\u00a0%" if high > 0 else ""


def by_quantity(specimens: pd.DataFrame, specimen: str) -> dict[str, dict[Any, Any]]:
    """Rows of specimens.csv of all carbides of one specimen, by quantity."""
    own = specimens[(specimens["specimen"] == specimen) & (specimens["carbide_class"] == "all")]
    return {str(row["quantity"]): row for row in own.to_dict("records")}


def if_alike(text: str, interval_of: str, advice: str = "") -> str:
    """Say behind an interval that `with_ends` wrote that it holds only if the bar is like the one field measured."""
    if interval_of != "field" or not text.endswith(")"):
        return text
    return f"{text[:-1]} if the bar is like this field{advice})"


def with_unit(text: str, unit: str) -> str:
    """Put a unit behind the value of what `with_ends` wrote, before the brackets."""
    value, bracket, rest = text.partition(" (")
    if value.startswith("unknown, at most"):
        return f"{text}\u00a0{unit}" if unit else text
    return text if unit in ("", "nan") or value == "unknown" else f"{value}\u00a0{unit}{bracket}{rest}"


def listed(places: list[str], most: int) -> str:
    """Return the first places by name and the number of the others."""
    if len(places) <= most + 1:
        return ", ".join(places)
    return f"{', '.join(places[:most])} and {len(places) - most} more"


def joined(words: Sequence[str]) -> str:
    """Write words in a row with "and" before the last."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def methods(study: Study, outcomes: Sequence[Outcome], fields: pd.DataFrame) -> list[str]:
    """Paragraphs with the numbers of this run and the standards followed."""
    return [
        _taken(study, outcomes, fields),
        "Grey levels were flattened for uneven light by the local level of the matrix. Carbides were outlined at half "
        "height between the local matrix level and the level of their carbide class; touching carbides were cut "
        "at necks of the outline, deblurred as far as noise allows; "
        f"outlines below {_smallest(study)} px were not counted. The area of each carbide is its "
        "integrated contrast over the local matrix divided by the contrast of resolved carbide, which blur does not "
        "change. Every carbide counts for the area fraction; carbides cut by the edge of the frame leave the size "
        "statistics, and the others are weighted for it (Miles and Lantuéjoul).",
        "Intercepts were counted on parallel lines one pixel apart along and across the rolling direction (ASTM E1268, "
        "written from memory: anisotropy index AI, degree of orientation Ω12, mean band spacing SB⊥, mean free path). "
        "Banding was tested against the same carbides placed at random, and nearest neighbours against such placements "
        "without overlap. Area fraction equals volume fraction in the mean over random sections (E. E. Underwood, "
        "Quantitative Stereology, 1970).",
        "Intervals are 95 % intervals with the fields as the sampling unit (Student t), combined with the uncertainty "
        "of the segmentation and of the scale. One field alone gives the interval that its own structure shows, which "
        "holds if the bar is like it (G. Matheron, from memory). %RA is half the interval over the mean (ASTM E562).",
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


# Quantity and heading.
SHOWN = {
    "area_fraction": "area %",
    "film_area_fraction": "films %",
    "ecd_d50": "ECD d50 µm",
    "ecd_d90": "ECD d90 µm",
    "largest_ecd": "largest µm",
    "mean_aspect_ratio": "aspect",
    "elongation_along_rolling": "along/across",
}
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
        fields, more = _fields(own)
        known = f"{fields} fields, 95 % intervals" if fields > 1 else "1 field, 95 % intervals if the bar is like it"
        lines.append(f"{specimen.name}, {known if fields else 'unknown'}{more}")
        for carbide_class, title in shown_classes(own):
            lines += _class_lines(own[own["carbide_class"] == carbide_class], title)
    return "\n".join(lines)


def _fields(own: pd.DataFrame) -> tuple[int, str]:
    """Fields that entered, and words for those whose area fraction is unknown."""
    rows = own[own["carbide_class"] == "all"].set_index("quantity")
    every = int(own["fields"].max())
    if "unknown_fields_share" not in rows.index:
        return every, ""
    unknown = round(float(rows["mean"]["unknown_fields_share"]) * every)
    return every - unknown, f"; {unknown} of {every} fields unknown" if unknown else ""


def shown_classes(own: pd.DataFrame) -> list[tuple[str, str]]:
    """Return the classes with their titles; one class alone is all carbides, and so are all of an unknown specimen."""
    found = list(dict.fromkeys(own["carbide_class"]))
    fraction = own.loc[(own["carbide_class"] == "all") & (own["quantity"] == "area_fraction"), "mean"]
    if len(found) == 2 or fraction.isna().all():
        name = one_class(found)
        return [("all", f"all carbides ({name})" if name else "all carbides")]
    return [(c, "all carbides" if c == "all" else c) for c in found]


def _class_lines(rows: pd.DataFrame, title: str) -> list[str]:
    by_quantity = rows.drop_duplicates("quantity").set_index("quantity")
    single = [f"  {line}" for line in _one_field_lines(by_quantity)]
    cells = []
    for quantity, heading in SHOWN.items():
        if quantity in by_quantity.index and not (single and quantity == "area_fraction"):
            ends = by_quantity.loc[[quantity], ["mean", "ci95_low", "ci95_high"]].to_numpy(float)[0]
            shown = printed(with_ends(*(printed_factor(quantity) * ends)))
            cells.append(f"{heading:<13}{shown}")
    body = [f"  {left:<38}{right}".rstrip() for left, right in zip(cells[::2], [*cells[1::2], ""], strict=False)]
    return [f"  {title}", *single, *("  " + line for line in body)]


def _one_field_lines(by_quantity: pd.DataFrame) -> list[str]:
    """Lines of the area fraction where one field speaks for itself, or cannot; none where there are more fields."""
    if "area_fraction" not in by_quantity.index or "interval_of" not in by_quantity:
        return []
    row = by_quantity.loc[["area_fraction"]].to_dict("records")[0]
    ends = ends_of(row, factor=100)
    if row["fields"] != 1 or not ends[0] > 0:
        return []
    told = if_alike(with_ends(*ends), str(row["interval_of"]), "; more fields would tell")
    if row["interval_of"] != "field":
        told = f"{figures(ends[0], 0)} (one field cannot tell how far it is off; more fields would tell)"
    return wrapped(f"{SHOWN['area_fraction']} {told}").split("\n")


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
