"""Figures of the atlas: which points they show, what each says, and their drawing as SVG.

Text stays text, and each point says its numbers when pointed at.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

import pandas as pd

from micro.atlas.relations import RELATIONS, Relation, common
from micro.figures.style import COLOURS
from micro.report.wording import ends_of, route_words, with_ends, with_unit

WIDTH, HEIGHT = 560.0, 400.0
LEFT, RIGHT, TOP, BOTTOM = 58.0, 14.0, 12.0, 46.0
LETTER_PX, LINE_PX = 6.0, 11.0
"""Room that a letter of 10 px takes, generously, and the height of a line."""
LONGEST_NAME = 22
MARKER_PX = 4.6
SHAPES = (
    "M{x0},{y}A{r},{r} 0 1 0 {x1},{y}A{r},{r} 0 1 0 {x0},{y}Z",
    "M{x0},{y0}H{x1}V{y1}H{x0}Z",
    "M{x},{y0}L{x1},{y1}H{x0}Z",
    "M{x},{y0}L{x1},{y}L{x},{y1}L{x0},{y}Z",
    "M{x0},{y0}H{x1}L{x},{y1}Z",
    "M{x0},{y0}L{x1},{y1}H{x0}L{x1},{y0}Z",
)
"""Circle, square, triangle, diamond, triangle on its tip, hourglass."""
STYLE = (
    "text{font:10px 'DejaVu Sans',Verdana,sans-serif;fill:#1c2226}.grid{stroke:#e4e4e4}.axis{stroke:#8b938a}"
    ".span{stroke-width:1;opacity:.45}.mark{stroke-width:1.3}.name{font-size:9px;fill:#3a4246}"
    ".join{fill:none;stroke-width:1.3}"
)


@dataclass(frozen=True)
class Point:
    """A point with the ends of its intervals (NaN where unknown), its name and what is said when it is pointed at.

    `look` numbers colour and marker; an `open` marker was measured unlike most. `bar` is the row of the table.
    """

    bar: int
    name: str
    x: tuple[float, float, float]
    y: tuple[float, float, float]
    said: str
    look: int = 0
    open: bool = False


@dataclass(frozen=True)
class Drawing:
    """A figure of one panel or several: file name, caption, words for who cannot see it, SVG."""

    name: str
    caption: str
    alternative: str
    svg: str
    legend: Sequence[tuple[str, str]] = field(default=())


@dataclass(frozen=True)
class Panel:
    """Points on one pair of axes; `lines` are runs of points that are joined; `zero_x`, `zero_y`: from 0 on."""

    points: Sequence[Point]
    x_label: str
    y_label: str
    lines: Sequence[Sequence[Point]] = ()
    zero_x: bool = True
    zero_y: bool = True


def stacked(panels: Sequence[Panel], height: float) -> str:
    """Panels below each other, each with its own axes, as one SVG."""
    body = "".join(_panel(panel, [panel], (0.0, number * height), height) for number, panel in enumerate(panels))
    return _svg(body, WIDTH, height * len(panels))


def beside(panels: Sequence[Panel]) -> str:
    """Panels beside each other on the same upward axis, as one SVG."""
    body = "".join(_panel(panel, panels, (number * WIDTH, 0.0), HEIGHT) for number, panel in enumerate(panels))
    return _svg(body, WIDTH * len(panels), HEIGHT)


def _svg(body: str, wide: float, high: float) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {high:g}" role="img"><style>{STYLE}</style>'
        f'<rect width="100%" height="100%" fill="#fff"/>{body}</svg>'
    )


def marker(look: int, open_: bool = False, x: float = 8.0, y: float = 8.0) -> str:
    """One marker."""
    r = MARKER_PX
    places = {"x": x, "y": y, "x0": x - r, "x1": x + r, "y0": y - r, "y1": y + r, "r": r}
    path = SHAPES[look % len(SHAPES)].format(**{k: f"{v:.1f}" for k, v in places.items()})
    tint = COLOURS[look % len(COLOURS)]
    return f'<path class="mark" d="{path}" stroke="{tint}" fill="{"#fff" if open_ else tint}"/>'


def _panel(panel: Panel, upward_of: Sequence[Panel], corner: tuple[float, float], height: float) -> str:
    """One panel; its upward axis holds the points of all panels `upward_of`."""
    left, top = corner
    across = axis_of(*_values([panel], "x"), (left + LEFT, left + WIDTH - RIGHT), panel.zero_x)
    upward = axis_of(*_values(upward_of, "y"), (top + height - BOTTOM, top + TOP), panel.zero_y)
    parts = [_frame(across, upward, panel)]
    parts += [_line(across, upward, line) for line in panel.lines]
    parts += [_point(across, upward, point) for point in panel.points]
    parts += list(_names(across, upward, panel.points))
    return "".join(parts)


def _values(panels: Sequence[Panel], side: str) -> tuple[list[float], list[float]]:
    triples = [getattr(point, side) for panel in panels for point in panel.points]
    return [t[0] for t in triples], [end for t in triples for end in t[1:]]


def _frame(across: Axis, upward: Axis, panel: Panel) -> str:
    parts = []
    for tick in across.ticks:
        x = across.place(tick)
        parts.append(f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{upward.start:.1f}" y2="{upward.end:.1f}"/>')
        parts.append(f'<text x="{x:.1f}" y="{upward.start + 14:.1f}" text-anchor="middle">{tick:g}</text>')
    for tick in upward.ticks:
        y = upward.place(tick)
        parts.append(f'<line class="grid" x1="{across.start:.1f}" x2="{across.end:.1f}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{across.start - 6:.1f}" y="{y + 3.5:.1f}" text-anchor="end">{tick:g}</text>')
    corner = f"M{across.start:.1f},{upward.end:.1f}V{upward.start:.1f}H{across.end:.1f}"
    middle = (upward.start + upward.end) / 2
    parts.append(f'<path class="axis" fill="none" d="{corner}"/>')
    parts.append(
        f'<text x="{(across.start + across.end) / 2:.1f}" y="{upward.start + 34:.1f}" text-anchor="middle">'
        f"{escape(panel.x_label)}</text>"
    )
    parts.append(
        f'<text transform="translate({across.start - LEFT + 14:.1f},{middle:.1f}) rotate(-90)" '
        f'text-anchor="middle">{escape(panel.y_label)}</text>'
    )
    return "".join(parts)


def _line(across: Axis, upward: Axis, line: Sequence[Point]) -> str:
    path = "L".join(f"{across.place(p.x[0]):.1f},{upward.place(p.y[0]):.1f}" for p in line)
    return f'<path class="join" stroke="{COLOURS[line[0].look % len(COLOURS)]}" d="M{path}"/>'


def _point(across: Axis, upward: Axis, point: Point) -> str:
    x, y = across.place(point.x[0]), upward.place(point.y[0])
    tint = COLOURS[point.look % len(COLOURS)]
    spans = []
    if all(map(math.isfinite, point.x[1:])):
        spans.append(f"M{across.place(point.x[1]):.1f},{y:.1f}H{across.place(point.x[2]):.1f}")
    if all(map(math.isfinite, point.y[1:])):
        spans.append(f"M{x:.1f},{upward.place(point.y[1]):.1f}V{upward.place(point.y[2]):.1f}")
    span = f'<path class="span" stroke="{tint}" d="{"".join(spans)}"/>' if spans else ""
    said = escape(point.said, quote=False)
    return f'<g data-bar="{point.bar}"><title>{said}</title>{span}{marker(point.look, point.open, x, y)}</g>'


def _names(across: Axis, upward: Axis, points: Sequence[Point]) -> Iterator[str]:
    """Names beside their points, where there is room; the others are told when they are pointed at."""
    taken = [_box(across.place(p.x[0]) - MARKER_PX, upward.place(p.y[0]), 2 * MARKER_PX, 2 * MARKER_PX) for p in points]
    edge = across.end + RIGHT
    for point in points:
        name = point.name if len(point.name) <= LONGEST_NAME else point.name[: LONGEST_NAME - 1] + "…"
        x, y, wide = across.place(point.x[0]), upward.place(point.y[0]), LETTER_PX * len(name)
        for left, down in ((x + 7, y - 7), (x - 7 - wide, y - 7), (x + 7, y + 8), (x - 7 - wide, y + 8)):
            box = _box(left, down, wide, LINE_PX)
            inside = left > across.start and left + wide < edge and down > upward.end
            if inside and not any(_overlap(box, other) for other in taken):
                taken.append(box)
                yield f'<text class="name" x="{left:.1f}" y="{down + 3:.1f}">{escape(name)}</text>'
                break


def _box(left: float, middle: float, wide: float, high: float) -> tuple[float, float, float, float]:
    return left, left + wide, middle - high / 2, middle + high / 2


def _overlap(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return a[0] < b[1] and b[0] < a[1] and a[2] < b[3] and b[2] < a[3]


WIDE = 8.0
"""Largest over smallest value from which an axis is logarithmic, so that small bars stay readable. Chosen."""
ROOM = 0.06
"""Part of an axis left free at each end. Chosen."""
TICKS = 6
FAR = 3.0
"""Spreads of the values beyond which an end of an interval leaves the drawing. Chosen."""


@dataclass(frozen=True)
class Axis:
    """Values from `low` to `high`, evenly or by their logarithm, on places from `start` to `end`."""

    low: float
    high: float
    start: float
    end: float
    logarithmic: bool = False

    def place(self, value: float) -> float:
        """Place of a value, held within the axis."""
        value = min(max(value, self.low), self.high)
        if self.logarithmic:
            share = math.log(value / self.low) / math.log(self.high / self.low)
        else:
            share = (value - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)

    @property
    def ticks(self) -> list[float]:
        """Round values within the axis."""
        if self.logarithmic:
            powers = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
            return [m * 10.0**p for p in powers for m in (1, 2, 5) if self.low <= m * 10.0**p <= self.high]
        step = _round_step((self.high - self.low) / TICKS)
        first = math.ceil(self.low / step - 1e-9)
        return [step * k for k in range(first, math.floor(self.high / step + 1e-9) + 1)]


def _round_step(least: float) -> float:
    power = 10.0 ** math.floor(math.log10(least))
    return next(m * power for m in (1, 2, 2.5, 5, 10) if m * power >= least * (1 - 1e-9))


def axis_of(values: Sequence[float], ends: Sequence[float], places: tuple[float, float], zero: bool = False) -> Axis:
    """Axis that holds all values, and the ends of their intervals as far as these do not squeeze the values.

    Parameters
    ----------
    values, ends
        Values, at least one finite, and ends of intervals; what is not finite does not count.
    places
        Of the lowest and the highest.
    zero
        Whether a linear axis starts at 0.
    """
    known = [v for v in values if math.isfinite(v)]
    low, high = min(known), max(known)
    spread = (high - low) or abs(high) or 1.0
    reach = max(FAR * spread, 1.5 * abs(high))
    near = [v for v in ends if math.isfinite(v) and low - FAR * spread <= v <= high + reach]
    low, high = min([low, *near]), max([high, *near])
    if zero and min(known) > 0 and max(known) / min(known) > WIDE:
        low = max(low, min(known) / 2)
        stretch = (high / low) ** ROOM
        return Axis(low / stretch, high * stretch, *places, logarithmic=True)
    room = ROOM * ((high - low) or abs(high) or 1.0)
    return Axis(0.0 if zero and low >= 0 else low - room, high + room, *places)


OTHER = "other classes"
NO_CLASS = "no carbide class"
FIGURES = (
    (
        "toughness_over_amount",
        "Toughness along (left) and across rolling (right) against the amount of carbide",
        (0, 1),
    ),
    ("toughness_over_largest", "Toughness along (left) and across rolling (right) against the largest carbide", (2, 3)),
    ("ratio_over_banding", "Transverse over longitudinal toughness against banding", (4, 5)),
)
SERIES_HEIGHT = 230.0
PANELS = (
    (("area_fraction",), "carbide, %"),
    (("hardness",), "hardness"),
    (("toughness_longitudinal", "toughness_transverse"), "toughness"),
)
DIRECTION_WORDS = {"toughness_longitudinal": "along rolling", "toughness_transverse": "across rolling"}


def looks_of(bars: pd.DataFrame) -> dict[str, int]:
    """Colour and marker by carbide classes, the most common first; what comes after the fifth shares one."""
    told = bars["carbide_classes"].replace("", NO_CLASS).value_counts(sort=True)
    order = list(told.index)
    if len(order) <= len(COLOURS):
        return {name: number for number, name in enumerate(order)}
    return {name: min(number, len(COLOURS) - 1) for number, name in enumerate(order)}


def legend_of(looks: dict[str, int]) -> list[tuple[str, str]]:
    """Markers with their words; open ones are explained where they are."""
    shared = [name for name, look in looks.items() if look == len(COLOURS) - 1]
    shown = {}
    for name, look in looks.items():
        shown[look] = name if len(shared) < 2 or name not in shared else OTHER
    svg = '<svg xmlns="http://www.w3.org/2000/svg" width="16" height="16" viewBox="0 0 16 16">{}</svg>'
    entries = [(svg.format(marker(look)), name) for look, name in shown.items()]
    return [*entries, (svg.format(marker(0, open_=True)), "open: measured unlike most")]


def factor_words(factor: str) -> str:
    """Factor of a heat treatment as a label: "tempering_C" is in °C."""
    name = factor.removesuffix("_C")
    return name.replace("_", " ") + (", °C" if name != factor else "")


def treatment_words(treatment: str) -> str:
    """Factors with their numbers as a reader writes them: "tempering_C 525" is tempering 525 °C."""
    parts = []
    for part in filter(None, treatment.split(", ")):
        name, _, number = part.rpartition(" ")
        if part.startswith("several "):  # a factor that has no one number
            parts.append(factor_words(part).partition(", ")[0])
            continue
        label, _, unit = factor_words(name or number).partition(", ")
        parts.append(f"{label} {number} {unit}".strip())
    return ", ".join(parts)


def scatter_figures(bars: pd.DataFrame) -> list[Drawing]:
    """Three figures of two panels, each where any bar has both values."""
    looks = looks_of(bars)
    found = []
    for name, title, numbers in FIGURES:
        panels = [panel for n in numbers if (panel := _scatter_panel(bars, RELATIONS[n], looks)) is not None]
        if panels:
            caption = f"{title}. Lines are 95 % intervals; colour and marker tell the carbide classes, as named."
            found.append(Drawing(name, caption, f"{title}, a point a bar.", beside(panels), legend_of(looks)))
    return found


def _scatter_panel(bars: pd.DataFrame, relation: Relation, looks: dict[str, int]) -> Panel | None:
    own = bars[bars[relation.x].notna() & bars[relation.y].notna()]
    unit = ""
    if relation.y != "transverse_ratio":
        unit = common(own["toughness_unit"])
        own = own[own["toughness_unit"] == unit]
    if own.empty:
        return None
    rows = zip(own.index, own.to_dict("records"), strict=True)
    points = [_scatter_point(int(number), row, relation, looks) for number, row in rows]
    label = f"{relation.y_label}, {unit}" if unit else relation.y_label
    return Panel(points, relation.x_label, label, zero_x=relation.x != "anisotropy_index")


def _scatter_point(number: int, row: dict[Any, Any], relation: Relation, looks: dict[str, int]) -> Point:
    x, y = ends_in(row, relation.x), ends_in(row, relation.y)
    unit = str(row["toughness_unit"]) if relation.y != "transverse_ratio" else ""
    said = [
        str(row["bar"]),
        f"{relation.x_label}: {with_ends(*x)}",
        f"{relation.y_label}: {with_unit(with_ends(*y), unit)}",
        *about(row),
    ]
    look = looks[str(row["carbide_classes"]) or NO_CLASS]
    unlike = bool(row["unlike"] or row["same_pictures_as"])
    return Point(number, str(row["bar"]), x, y, "\n".join(said), look, unlike)


def about(row: dict[Any, Any]) -> Iterator[str]:
    """Lines on how a bar was made and measured."""
    if row["carbide_classes"]:
        yield f"carbide classes: {row['carbide_classes']}"
    made = [str(row["steel"]), route_words(str(row["route"])), treatment_words(str(row["heat_treatment"]))]
    if any(made):
        yield ", ".join(part for part in made if part)
    if math.isfinite(row["hardness"]):
        hardness = with_unit(with_ends(*ends_in(row, "hardness")), str(row["hardness_scale"]))
        yield f"hardness: {hardness}"
    yield f"{row['fields']} fields, {str(row['date'])[:10]}, {row['folder']}"
    if row["unlike"]:
        yield f"measured unlike most: {row['unlike']}"
    if row["same_pictures_as"]:
        yield f"the same pictures as {row['same_pictures_as']}"


def ends_in(row: dict[Any, Any], name: str) -> tuple[float, float, float]:
    """Value of a bar in one column and the ends of its interval, as printed; NaN where unknown."""
    return ends_of(row, name, f"{name}_low", f"{name}_high", factor=100 if name == "area_fraction" else 1)


def series_figures(table: pd.DataFrame, bars: pd.DataFrame) -> list[Drawing]:
    """One figure a steel, factor and treatment held: a panel each for carbide, hardness and toughness."""
    rows_of = dict(zip(bars["bar"], bars.index, strict=True))
    found = []
    groups: Any = table.groupby(["steel", "factor", "held"], sort=False)
    for number, ((steel, factor, held), own) in enumerate(groups, 1):
        panels = [p for quantities, label in PANELS for p in _series_panels(own, quantities, (factor, label), rows_of)]
        if not panels:
            continue
        title = f"{steel} over {factor_words(factor)}" + (f", at {treatment_words(held)}" if held else "")
        plain = "".join(c if c.isascii() and c.isalnum() else "_" for c in f"{steel}_{factor}")
        name = f"series_{number}_{plain}"[:60]
        caption = (
            f"{title}. Lines join what was measured alike; vertical lines are 95 % intervals. Toughness: filled along, "
            "open across rolling."
        )
        alternative = f"{title}: carbide, hardness and toughness."
        found.append(Drawing(name, caption, alternative, stacked(panels, SERIES_HEIGHT)))
    return found


def _series_panels(
    own: pd.DataFrame, quantities: Sequence[str], labels: tuple[str, str], rows_of: dict[Any, Any]
) -> Iterator[Panel]:
    """Panels of some quantities, one a unit; none where there is only one value of the factor."""
    rows = own[own["quantity"].isin(quantities)]
    units: Any = rows.groupby("unit", sort=False)
    for unit, block in units:
        if block["value"].nunique() < 2:
            continue
        points: list[Point] = []
        lines: list[list[Point]] = []
        for _, run in block.groupby(["quantity", "line"], sort=False):
            made = [_series_point(row, labels[0], rows_of) for row in run.to_dict("records")]
            points += made
            lines += [made] if len({p.x[0] for p in made}) > 1 else []
        label = f"{labels[1]}, {unit}" if unit else labels[1]
        yield Panel(points, factor_words(labels[0]), label, lines, zero_x=False, zero_y="hardness" not in quantities)


def _series_point(row: dict[Any, Any], factor: str, rows_of: dict[Any, Any]) -> Point:
    ends = ends_of(row, factor=100 if row["quantity"] == "area_fraction" else 1)
    what = DIRECTION_WORDS.get(str(row["quantity"]), "")
    unit = "%" if row["quantity"] == "area_fraction" else str(row["unit"])
    value = (float(row["value"]), math.nan, math.nan)
    treatment = treatment_words(f"{factor} {row['value']:g}")
    said = f"{row['bar']}, {treatment}\n{with_unit(with_ends(*ends), unit)} {what}".strip()
    across = row["quantity"] == "toughness_transverse"
    return Point(int(rows_of[row["bar"]]), str(row["bar"]), value, ends, said, 1 if across else 0, across)
