"""The outline picture: what was measured and what was left out, drawn on the micrograph."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from micro.micrograph import Micrograph
from micro.pictures.legend_strip import Item, line_of, with_strip
from micro.segmentation import Segmentation

# Told apart by people with any kind of colour vision, and from grey.
CLASS_COLOURS = ((230, 120, 0), (0, 150, 230), (120, 210, 60), (220, 60, 160), (245, 230, 70), (150, 110, 250))
HATCH = (235, 80, 70)
HATCH_STEP = 8
CLIPPED_SHARE = 0.002


def display_range(grey: NDArray[np.float32]) -> tuple[float, float]:
    """Levels shown as black and white; two in a thousand pixels are clipped at either end."""
    step = max(1, int(np.sqrt(grey.size / 250_000)))
    low, high = np.quantile(grey[::step, ::step], (CLIPPED_SHARE, 1 - CLIPPED_SHARE))
    return float(low), float(max(high, low + 1e-6))


def to_display(grey: NDArray[np.float32], low: float, high: float) -> NDArray[np.uint8]:
    """Grey levels as an RGB picture (rows, columns, 3) for the eye."""
    shown = np.clip((grey - np.float32(low)) * np.float32(255 / (high - low)), 0, 255).astype(np.uint8)
    return np.repeat(shown[..., None], 3, axis=2)


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
    low, high = display_range(micrograph.grey)
    picture = to_display(micrograph.grey, low, high)
    colours = class_colours([c.name for c in segmentation.classes], class_names)
    _draw_outlines(picture, segmentation, colours)
    _hatch(picture, segmentation.excluded)
    if micrograph.data_bar.size:
        bar = to_display(micrograph.data_bar, low, high)
        _hatch(bar, np.ones(bar.shape[:2], bool))
        picture = np.vstack([picture, bar])
    um_per_px = None if micrograph.scale is None else micrograph.scale.um_per_px
    return with_strip(picture, legend_items(micrograph, segmentation, colours), um_per_px)


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
    if _cut_by_frame(segmentation).any():
        items.append(Item("dotted: cut by the frame", lambda sample: None, 0))
    if segmentation.excluded.any() or micrograph.data_bar.size:
        items.append(Item("left out", lambda sample: _hatch(sample, np.ones(sample.shape[:2], bool)), height))
    return items


def _draw_outlines(
    picture: NDArray[np.uint8], segmentation: Segmentation, colours: Sequence[tuple[int, int, int]]
) -> None:
    """Colour every pixel beside a carbide of a higher label: the matrix about it, or a carbide that it touches."""
    labels = segmentation.labels
    rim, owner = _beside(labels)
    drawn = ~_cut_by_frame(segmentation)[owner - 1] | (rim.sum(axis=1) % 4 < 2)
    rows, cols = rim[drawn].T
    table = np.array(colours, np.uint8).reshape(-1, 3)
    picture[rows, cols] = table[segmentation.class_index[owner[drawn] - 1]]


def _beside(labels: NDArray[np.int32]) -> tuple[NDArray[np.intp], NDArray[np.int32]]:
    """Pixels (n, 2) with a higher label above, below or at a side, and the highest of those (n,)."""
    highest = np.zeros_like(labels)
    for here, there in (
        (np.s_[1:, :], np.s_[:-1, :]),
        (np.s_[:-1, :], np.s_[1:, :]),
        (np.s_[:, 1:], np.s_[:, :-1]),
        (np.s_[:, :-1], np.s_[:, 1:]),
    ):
        np.maximum(highest[here], labels[there], out=highest[here])
    rim = np.argwhere(highest > labels)
    return rim, highest[rim[:, 0], rim[:, 1]]


def _cut_by_frame(segmentation: Segmentation) -> NDArray[np.bool_]:
    labels = segmentation.labels
    cut = np.zeros(segmentation.count, bool)
    frame = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    cut[frame[frame > 0] - 1] = True
    return cut


def _hatch(picture: NDArray[np.uint8], where: NDArray[np.bool_]) -> None:
    inside = np.pad(where, 1)
    border = where & ~(inside[:-2, 1:-1] & inside[2:, 1:-1] & inside[1:-1, :-2] & inside[1:-1, 2:])
    rows, cols = np.nonzero(where)
    stripe = ((rows + cols) % HATCH_STEP == 0) | border[rows, cols]
    picture[rows[stripe], cols[stripe]] = HATCH
