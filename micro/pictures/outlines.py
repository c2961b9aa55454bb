"""The outline picture: what was measured and what was left out, drawn on the micrograph."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.micrograph import Micrograph
from micro.pictures.scale_bar import draw_scale_bar
from micro.segmentation import Segmentation

# Told apart by people with any kind of colour vision, and from grey: darkest class first.
CLASS_COLOURS = ((230, 120, 0), (0, 150, 230), (120, 210, 60), (220, 60, 160))
HATCH = (205, 70, 55)
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


def draw_outlines(micrograph: Micrograph, segmentation: Segmentation) -> NDArray[np.uint8]:
    """RGB picture (rows, columns, 3) of the whole file, with the outline of every carbide.

    Outlines have the colour of their carbide class and are dotted where the edge of the frame cuts the carbide;
    parts that were left out, the data bar among them, are hatched.
    """
    low, high = display_range(micrograph.grey)
    picture = to_display(micrograph.grey, low, high)
    _draw_outlines(picture, segmentation)
    _hatch(picture, segmentation.excluded)
    if micrograph.scale is not None:
        draw_scale_bar(picture, micrograph.scale.um_per_px)
    if micrograph.data_bar.size:
        bar = to_display(micrograph.data_bar, low, high)
        _hatch(bar, np.ones(bar.shape[:2], bool))
        picture = np.vstack([picture, bar])
    return picture


def _draw_outlines(picture: NDArray[np.uint8], segmentation: Segmentation) -> None:
    labels = segmentation.labels
    rim = np.zeros(labels.shape, bool)
    rim[:-1] |= labels[:-1] != labels[1:]
    rim[1:] |= labels[1:] != labels[:-1]
    rim[:, :-1] |= labels[:, :-1] != labels[:, 1:]
    rim[:, 1:] |= labels[:, 1:] != labels[:, :-1]
    rows, cols = np.nonzero(rim & (labels > 0))
    owner = labels[rows, cols] - 1
    cut = np.zeros(segmentation.count, bool)
    frame = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    cut[frame[frame > 0] - 1] = True
    drawn = ~cut[owner] | ((rows + cols) % 4 < 2)
    rows, cols, owner = rows[drawn], cols[drawn], owner[drawn]
    colours = np.array(CLASS_COLOURS, np.uint8)
    picture[rows, cols] = colours[segmentation.class_index[owner] % len(colours)]


def _hatch(picture: NDArray[np.uint8], where: NDArray[np.bool_]) -> None:
    rows, cols = np.nonzero(where)
    stripe = (rows + cols) % HATCH_STEP == 0
    picture[rows[stripe], cols[stripe]] = HATCH
