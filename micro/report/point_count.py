"""The count by people in the report: verdict, figure, and the points that differ most."""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micro import results
from micro.points.agreement import Agreement
from micro.points.bias import Bias, Interval
from micro.points.field_table import most_apart
from micro.points.wording import counter_lines, heading, number, percent, verdict_sentence
from micro.report.drawing import Save
from micro.report.figures.point_count import draw_point_count
from micro.report.page import PagePicture, PageSection, PageTable
from micro.report.wording import with_ends

MOST_PICTURES = 12
CROP_PX, MAGNIFIED = 64, 4
ARM_PX, OPEN_PX = 40, 10
BEYOND_EDGE = 225
METHOD = (
    "The same fields, counted on a grid without knowing the result (ASTM E562, ISO 9042). Points on a boundary count "
    "one half. The verdict rests on the difference freed of counting noise: the program's outlines were counted on "
    "the same points, and what that count is off is taken off both. Intervals are at 95 %. Every field stands in "
    "points.csv, every two counters in counters.csv.",
)
SCORES = {0.0: "out", 0.5: "boundary", 1.0: "in"}
CAPTION = (
    "Every field: counted over measured (left), and their difference over their mean (right) with the mean difference, "
    "its 95 % interval (band) and the limits of agreement of single fields (dashed). Counting noise is in both."
)
ALTERNATIVE = "Counted against measured fraction of every field, and the differences with their limits of agreement."


def point_sections(agreement: Agreement, out: Path, save: Save) -> list[PageSection]:
    """Parts of the report about the count; `save` draws and writes a figure."""
    figure = save(
        "point_count", 2, 3.2, partial(draw_point_count, fields=agreement.fields, bias=agreement.bias), CAPTION,
        ALTERNATIVE,
    )  # fmt: skip
    verdicts = [f"{heading(b)}: {verdict_sentence(b)}" for b in agreement.bias]
    said = [*verdicts, *counter_lines(agreement.between), *agreement.messages]
    sections = [PageSection("point-count", "Point count by people", METHOD, (), [("In words", said)], [figure], [
        count_table(agreement)
    ])]  # fmt: skip
    pictures = apart_pictures(agreement, out)
    if pictures:
        text = ("The centre of the open cross is what was judged; the lines are the program's outlines.",)
        title = "Points at which count and outlines differ most"
        sections.append(PageSection("points-apart", title, text, pictures))
    return sections


def count_table(agreement: Agreement) -> PageTable:
    """Figures of the count, a row a specimen and class."""
    columns = (
        "specimen, class", "fields, points", "counted, %", "%RA", "measured, %", "difference, % points",
        "single fields", "freed of counting noise", "more fields", "verdict",
    )  # fmt: skip
    return PageTable("Counted and measured", columns, [_cells(bias) for bias in agreement.bias])


def _cells(bias: Bias) -> tuple[str, ...]:
    p = bias.counted
    accuracy = f"±{p.relative_accuracy_pct:.0f}" if math.isfinite(p.relative_accuracy_pct) else "unknown"
    limits = " to ".join(number(100 * limit, 1, "+") for limit in bias.limits)
    return (
        heading(bias), f"{p.fields}, {p.points}", with_ends(100 * p.mean, 100 * p.low, 100 * p.high), accuracy,
        percent(bias.measured), _ends(bias.difference), limits if math.isfinite(bias.limits[0]) else "unknown",
        _ends(bias.judged), "unknown" if bias.more_fields is None else str(bias.more_fields), bias.verdict,
    )  # fmt: skip


def _ends(difference: Interval) -> str:
    return with_ends(100 * difference.value, 100 * difference.low, 100 * difference.high)


def apart_pictures(agreement: Agreement, out: Path) -> list[PagePicture]:
    """Pictures of the points at which counters and program differ most, also written to figures/points."""
    import cv2

    from micro.report.field_pictures import data_address

    fields = results.read_table(out / results.FIELDS, ["specimen", "field", "file"])
    files = fields.drop_duplicates(["specimen", "field"]).set_index(["specimen", "field"])["file"]
    folder = out / "figures" / "points"
    for left in folder.glob("[0-9][0-9].png"):
        left.unlink()
    pictures: list[PagePicture] = []
    for row in most_apart(agreement.judged, MOST_PICTURES).to_dict("records"):
        outlined = cv2.imread(str(out / results.OUTLINES / f"{files[row['specimen'], row['field']]}.png"))
        if outlined is None:
            continue
        field_only = outlined[: _rows(out, files[row["specimen"], row["field"]])]
        shown = marked_crop(field_only, float(row["x_px"]), float(row["y_px"]))
        with results.whole_file(folder / f"{len(pictures) + 1:02d}.png") as stream:
            stream.write(cv2.imencode(".png", shown)[1].tobytes())
        words = point_in_words(row, several=bool((agreement.fields["counters"] > 1).any()))
        pictures.append(PagePicture(data_address(shown[..., ::-1]), words, f"Outlines about the point: {words}"))
    return pictures


def _rows(out: Path, file: str) -> int:
    """Rows of a field, without the data bar and the legend that its outline picture has below."""
    import tifffile

    with tifffile.TiffFile(out / results.LABELS / f"{file}.tif") as labels:
        return int(labels.pages[0].shape[0])


def point_in_words(row: dict[Any, Any], several: bool) -> str:
    """Name a point, and say what one counter, or `several`, and the program made of it."""
    counted = f"{row['score']:.2g} on average" if several else SCORES[row["score"]]
    place = f"{row['specimen']} {row['field']}, point {row['point']:.0f}"
    return f"{place}: counted {counted}, outlined {SCORES[row['own_score']]}"


def marked_crop(picture: NDArray[np.uint8], x_px: float, y_px: float) -> NDArray[np.uint8]:
    """Magnified surroundings of a point, (CROP_PX·MAGNIFIED,) squared in colour, with an open cross about it."""
    import cv2

    half = CROP_PX // 2
    padded = np.pad(picture, ((half, half), (half, half), (0, 0)), constant_values=BEYOND_EDGE)
    left, top = int(x_px), int(y_px)
    crop = padded[top : top + CROP_PX, left : left + CROP_PX]
    size = (CROP_PX * MAGNIFIED, CROP_PX * MAGNIFIED)
    shown = cv2.resize(crop, size, interpolation=cv2.INTER_NEAREST)
    x, y = (round(MAGNIFIED * (half + value - int(value))) for value in (x_px, y_px))
    for colour, thickness in (((0, 0, 0), 4), ((160, 246, 255), 2)):
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            ends = [(x + dx * reach, y + dy * reach) for reach in (OPEN_PX, ARM_PX)]
            cv2.line(shown, ends[0], ends[1], colour, thickness, cv2.LINE_AA)
    return shown
