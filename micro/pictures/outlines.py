"""What was measured, drawn on the micrograph, with scale bar and legend."""

from __future__ import annotations

import functools
import importlib.util
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.image.micrograph import Micrograph
from micro.segmentation.segmentation import Segmentation
from micro.statistics.robust import quantile

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

INK = (20, 20, 20)


@functools.lru_cache(maxsize=16)
def font(height_px: int) -> FreeTypeFont:
    """Sans-serif letters that come with matplotlib, found without loading it."""
    from PIL import ImageFont

    found = importlib.util.find_spec("matplotlib")
    assert found is not None and found.origin is not None
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    return ImageFont.truetype(str(folder / "DejaVuSans.ttf"), height_px)


def text_width(text: str, height_px: int) -> int:
    """Columns that a text takes."""
    return round(font(height_px).getlength(text))


def write(
    picture: NDArray[np.uint8],
    text: str,
    left: int,
    middle: int,
    height_px: int,
    ink: tuple[int, int, int] = INK,
) -> None:
    """Write a text into an RGB picture (rows, columns, 3), in place, its letters about the row `middle`."""
    from PIL import Image, ImageDraw

    canvas = Image.fromarray(picture)
    ImageDraw.Draw(canvas).text((left, middle), text, fill=ink, font=font(height_px), anchor="lm")
    picture[:] = np.asarray(canvas)


Picture = NDArray[np.uint8]
SHARE_OF_WIDTH = 0.2


def round_length_um(width_um: float) -> float:
    """Largest of 1, 2, 5 times a power of ten that is at most a fifth of the picture's width."""
    wanted = width_um * SHARE_OF_WIDTH
    power = 10.0 ** math.floor(math.log10(wanted))
    return max(step * power for step in (1, 2, 5) if step * power <= wanted * (1 + 1e-9))


def length_text(length_um: float) -> str:
    """Length with its unit."""
    return f"{length_um / 1000:g} mm" if length_um >= 1000 else f"{length_um:g} µm"


def draw_scale_bar(picture: Picture, um_per_px: float, letters: float = 1 / 45) -> None:
    """Draw a scale bar with its length into the lower right of an RGB picture (rows, columns, 3), in place.

    `letters` is the height of the words over the picture's width; a picture too small for the bar stays as it is.
    """
    rows, columns = picture.shape[:2]
    length_um = round_length_um(columns * um_per_px)
    length = round(length_um / um_per_px)
    text, high = length_text(length_um), max(11, round(columns * letters))
    wide, pad = text_width(text, high), max(4, high // 3)
    box_width, box_height = max(length, wide) + 2 * pad, high + 4 * pad
    left, top = columns - box_width - pad, rows - box_height - pad
    if left < 0 or top < 0:
        return
    box = picture[top : top + box_height + 1, left : left + box_width + 1]
    box[:] = 255
    write(box, text, (box_width - wide) // 2, pad + high // 2, high, (0, 0, 0))
    start = (box_width - length) // 2
    box[high + 2 * pad : high + 3 * pad, start : start + length] = 0


Sample = Callable[[Picture], None]
PAPER = 255
LETTERS = 1 / 52


@dataclass(frozen=True)
class Item:
    """One entry: `sample` draws into a small picture, the words stand beside it."""

    words: str
    sample: Sample
    sample_px: int


def line_of(colour: tuple[int, int, int]) -> Sample:
    """Draw the line of a carbide class."""

    def draw(sample: Picture) -> None:
        middle, half = sample.shape[0] // 2, max(1, sample.shape[0] // 10)
        sample[middle - half : middle + half] = colour

    return draw


def with_strip(picture: Picture, items: Sequence[Item], um_per_px: float | None) -> Picture:
    """RGB picture (rows, columns, 3) with a white strip below: the scale bar, then the entries that fit its width."""
    columns = picture.shape[1]
    high = max(11, round(columns * LETTERS))
    entries = [_entry(item, high) for item in ([*_scale(columns, um_per_px), *items])]
    lines = _lines([e for e in entries if e.shape[1] + high <= columns], columns - high, high)
    if not lines:
        return picture
    strip = np.full((2 * high * len(lines) + high // 2, columns, 3), PAPER, np.uint8)
    for number, line in enumerate(lines):
        left, top = high // 2, 2 * high * number + high // 4
        for entry in line:
            strip[top : top + entry.shape[0], left : left + entry.shape[1]] = entry
            left += entry.shape[1] + high
    return np.vstack([picture, strip])


def _scale(columns: int, um_per_px: float | None) -> list[Item]:
    if um_per_px is None:
        return []
    length_um = round_length_um(columns * um_per_px)
    return [Item(length_text(length_um), line_of((0, 0, 0)), round(length_um / um_per_px))]


def _entry(item: Item, high: int) -> Picture:
    gap = high // 2
    entry = np.full((2 * high, item.sample_px + gap + text_width(item.words, high), 3), PAPER, np.uint8)
    item.sample(entry[high // 2 : high // 2 + high, : item.sample_px])
    write(entry, item.words, item.sample_px + gap, high, high)
    return entry


def _lines(entries: Sequence[Picture], width: int, gap: int) -> list[list[Picture]]:
    lines: list[list[Picture]] = []
    room = -1
    for entry in entries:
        if entry.shape[1] > room:
            lines.append([])
            room = width
        lines[-1].append(entry)
        room -= entry.shape[1] + gap
    return lines


# Told apart by people with any kind of colour vision, and from grey.
CLASS_COLOURS = ((230, 120, 0), (0, 150, 230), (120, 210, 60), (220, 60, 160), (245, 230, 70), (150, 110, 250))
HATCH, FILM = (235, 80, 70), (0, 200, 170)
HATCH_STEP = 8
CLIPPED_SHARE = 0.002
GREYS = 248
"""Levels from black to white: no eye parts 248 from 256, and with the colours they fit into a byte (derived)."""
PALETTE = np.concatenate([
    np.repeat(np.rint(np.linspace(0, 255, GREYS))[:, None], 3, axis=1), [HATCH], CLASS_COLOURS, [FILM],
]).astype(np.uint8)  # fmt: skip
"""(256, 3) RGB of the numbers in a picture of one byte a pixel: greys, the hatch, colours of classes, that of films."""
FIRST_COLOUR = GREYS + 1


def display_range(grey: NDArray[np.float32]) -> tuple[float, float]:
    """Levels shown as black and white; two in a thousand pixels are clipped at either end."""
    step = max(1, int(np.sqrt(grey.size / 250_000)))
    low, high = (quantile(grey[::step, ::step].ravel(), share) for share in (CLIPPED_SHARE, 1 - CLIPPED_SHARE))
    return float(low), float(max(high, low + 1e-6))


def grey_numbers(grey: NDArray[np.float32], low: float, high: float) -> Picture:
    """Grey levels (rows, columns) as numbers of PALETTE, from black at `low` to white at `high`."""
    above = cv2.max(grey - np.float32(low), 0)
    return np.asarray(cv2.min(cv2.convertScaleAbs(above, alpha=(GREYS - 1) / (high - low)), GREYS - 1))


def greys_shown(grey: NDArray[np.float32], low: float, high: float) -> NDArray[np.uint8]:
    """Grey levels (rows, columns) as those that the eye is shown, 0 to 255."""
    return np.asarray(cv2.LUT(grey_numbers(grey, low, high), np.ascontiguousarray(PALETTE[:, 0])), np.uint8)


def class_colours(names: Sequence[str], study: Sequence[str] = ()) -> list[tuple[int, int, int]]:
    """Colour (red, green, blue) of each carbide class of a picture, the same wherever a study has that name.

    A study with more names than there are colours gives them out in each picture anew.
    """
    order = list(dict.fromkeys([*study, *names]))
    if len(order) > len(CLASS_COLOURS):
        order = list(names)
    return [CLASS_COLOURS[order.index(name) % len(CLASS_COLOURS)] for name in names]


def draw_outlines(
    micrograph: Micrograph, segmentation: Segmentation, class_names: Sequence[str] = ()
) -> NDArray[np.uint8]:
    """RGB picture (rows, columns, 3) of the whole file with the outline of every carbide, and a legend below.

    Outlines lie just outside the carbide and have the colour of its class, which keeps its colour in every picture
    drawn with the same `class_names`; they are dotted where the edge of the frame cuts the carbide. Parts that were
    left out, the data bar among them, are hatched within a border. Scale bar and legend stand in a strip below.
    """
    return PALETTE[outline_numbers(micrograph, segmentation, class_names)]


def outline_numbers(micrograph: Micrograph, segmentation: Segmentation, class_names: Sequence[str] = ()) -> Picture:
    """Return the picture that `draw_outlines` draws as (rows, columns) numbers of PALETTE: a third of the bytes."""
    low, high = display_range(micrograph.grey)
    picture = grey_numbers(micrograph.grey, low, high)
    colours = class_colours([c.name for c in segmentation.classes], class_names)
    if segmentation.films is not None:
        picture.ravel()[_beside(segmentation.films.where.astype(np.int32), 1)[0]] = len(PALETTE) - 1
    _draw_outlines(picture, segmentation, colours)
    _hatch(picture, segmentation.excluded, GREYS)
    if micrograph.data_bar.size:
        bar = grey_numbers(micrograph.data_bar, low, high)
        _hatch(bar, np.ones(bar.shape[:2], bool), GREYS)
        picture = np.vstack([picture, bar])
    um_per_px = None if micrograph.scale is None else micrograph.scale.um_per_px
    nothing = np.empty((0, picture.shape[1], 3), np.uint8)
    strip = with_strip(nothing, legend_items(micrograph, segmentation, colours), um_per_px)
    return np.vstack([picture, _numbers_of(strip)])


def _numbers_of(picture: NDArray[np.uint8]) -> Picture:
    """(rows, columns) numbers of PALETTE for an RGB picture (rows, columns, 3) of greys and its colours."""
    numbers = np.rint(picture[..., 0] * np.float32((GREYS - 1) / 255)).astype(np.uint8)
    coloured = np.nonzero(picture[..., 0] != picture[..., 2])  # as in all of the colours, and in no grey
    numbers[coloured] = GREYS + (picture[coloured][:, None] == PALETTE[GREYS:]).all(axis=2).argmax(axis=1)
    return numbers


def legend_items(
    micrograph: Micrograph, segmentation: Segmentation, colours: Sequence[tuple[int, int, int]]
) -> list[Item]:
    """Entries for what an outline picture holds; `colours` are those of the classes."""
    height = 2 * max(11, micrograph.grey.shape[1] // 52)
    shown = np.unique(segmentation.class_index)
    items = [
        Item(c.name, line_of(colour), height)
        for k, (c, colour) in enumerate(zip(segmentation.classes, colours, strict=True))
        if k in shown
    ]
    if segmentation.films is not None and segmentation.films.where.any():
        items.append(Item("films", line_of(FILM), height))
    if segmentation.verdict.instead is not None:
        words = "UNKNOWN: no carbide is outlined" if segmentation.verdict.unknown else "two levels: nothing is outlined"
        items.append(Item(words, lambda sample: None, 0))
    if _cut_by_frame(segmentation).any():
        items.append(Item("dotted: cut by the frame", lambda sample: None, 0))
    if segmentation.excluded.any() or micrograph.data_bar.size:
        items.append(Item("left out", lambda sample: _hatch(sample, np.ones(sample.shape[:2], bool), HATCH), height))
    return items


def _draw_outlines(picture: Picture, segmentation: Segmentation, colours: Sequence[tuple[int, int, int]]) -> None:
    """Colour every pixel beside a carbide of a higher label: the matrix about it, or a carbide that it touches."""
    rim, owner = _beside(segmentation.labels, segmentation.count)
    row, column = np.divmod(rim, picture.shape[1])
    drawn = np.flatnonzero(~_cut_by_frame(segmentation).take(owner) | ((row + column) % 4 < 2))
    number = np.array([FIRST_COLOUR + CLASS_COLOURS.index(colour) for colour in colours], np.uint8)
    picture.ravel()[rim[drawn]] = number[segmentation.class_index[owner[drawn]]]


def _beside(labels: NDArray[np.int32], count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Places (n,) of pixels with a higher label above, below or at a side, the highest less 1 (n,)."""
    # Whole numbers up to 16 million are exact in either.
    own = labels.astype(np.uint16 if count <= np.iinfo(np.uint16).max else np.float32)
    highest = cv2.dilate(own, cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)))
    rim = np.flatnonzero(highest != own)
    return rim, highest.ravel().take(rim).astype(np.intp) - 1


def _cut_by_frame(segmentation: Segmentation) -> NDArray[np.bool_]:
    labels = segmentation.labels
    cut = np.zeros(segmentation.count, bool)
    frame = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    cut[frame[frame > 0] - 1] = True
    return cut


def _hatch(picture: NDArray[np.uint8], where: NDArray[np.bool_], ink: int | tuple[int, int, int]) -> None:
    if not where.any():
        return
    inside = np.pad(where, 1)
    border = where & ~(inside[:-2, 1:-1] & inside[2:, 1:-1] & inside[1:-1, :-2] & inside[1:-1, 2:])
    rows, cols = np.nonzero(where)
    stripe = ((rows + cols) % HATCH_STEP == 0) | border[rows, cols]
    picture[rows[stripe], cols[stripe]] = ink
