"""How figures look and are written."""

from __future__ import annotations

import contextlib
import importlib
import io
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from micro import results
from micro.pictures.png import png

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

Draw = Callable[["list[Axes]"], None]
"""Draws on the axes of a figure; pickled where another process draws."""
# Told apart by people with any kind of colour vision, and in grey print by their dashes.
COLOURS = ("#1b4f72", "#c0651a", "#3f7d4e", "#7a4a86", "#5b5b5b", "#a0322f")
DASHES = ("solid", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)), (0, (3, 1)), (0, (8, 3)))
WIDTH_IN = 7.0
# Neither dates nor versions, so that the same numbers give the same bytes.
FORMATS: dict[str, dict[str, Any]] = {
    "svg": {"dpi": 200, "metadata": {"Date": None, "Creator": None}},
    "png": {"dpi": 300},
}
GAP = 1 / 3
"""Room about what is drawn, in heights of the letters."""
SETTINGS: dict[Any, Any] = {
    "font.size": 9,
    "font.family": "DejaVu Sans",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#e4e4e4",
    "legend.frameon": False,
    "svg.hashsalt": "micro",
    "text.parse_math": False,  # a specimen may be called $x_{$
    "svg.fonttype": "path",
}


def colour(number: int) -> str:
    """Colour of the specimen of that number."""
    return COLOURS[number % len(COLOURS)]


def dash(number: int) -> object:
    """Dashes of the specimen of that number."""
    # Beyond six specimens the colours come again, with other dashes.
    return DASHES[(number + number // len(COLOURS)) % len(DASHES)]


def plain_powers(axis: Axis) -> None:
    """Write the ticks of a logarithmic axis as plain numbers, which are set several times faster than powers."""
    from matplotlib.ticker import LogFormatter

    class Plain(LogFormatter):
        def __call__(self, x: float, pos: int | None = None) -> str:
            return f"{x:g}" if super().__call__(x, pos) else ""

    axis.set_major_formatter(Plain(labelOnlyBase=True))
    axis.set_minor_formatter(Plain())


def legend(axis: Axes) -> None:
    """Explain what was drawn, in small print; nothing where nothing was drawn."""
    if axis.get_legend_handles_labels()[0]:
        axis.legend(loc="best", fontsize=7)


def load_library() -> None:
    """Load what draws, without the lists of settings in its help texts: they take half of the time.

    Where a person has loaded it before, they stay.
    """
    if "matplotlib.figure" in sys.modules:
        return
    from matplotlib import artist

    listed = artist.kwdoc
    artist.kwdoc = lambda artist: ""
    try:
        importlib.import_module("matplotlib.figure")
    finally:
        artist.kwdoc = listed


@contextlib.contextmanager
def styled(columns: int = 1, height_in: float = 3.0) -> Iterator[tuple[Figure, list[Axes]]]:
    """Figure with `columns` axes side by side, drawn in the report's style."""
    load_library()
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(WIDTH_IN, height_in))
        yield figure, list(figure.subplots(1, columns, squeeze=False)[0])


def draw_figure(folder: Path, name: str, columns: int, height_in: float, draw: Draw) -> bytes:
    """Draw a figure, write it as SVG and PNG, return the SVG."""
    with styled(columns, height_in) as (figure, axes):
        draw(axes)
        return write_figure(figure, folder, name)


def write_figure(figure: Figure, folder: Path, name: str) -> bytes:
    """Write a figure as SVG and PNG; return the SVG."""
    place(figure)
    svg = rendered(figure, "svg")
    for kind, content in zip(FORMATS, (svg, rendered(figure, "png")), strict=True):
        with results.whole_file(folder / f"{name}.{kind}") as stream:
            stream.write(content)
    return svg


def place(figure: Figure) -> None:
    """Find room for axes and their labels, and hold them and the ticks there.

    Once for both kinds: to look where they fit costs as much as to draw them.
    """
    from matplotlib.axis import Axis
    from matplotlib.legend import Legend
    from matplotlib.text import Text
    from matplotlib.ticker import FixedLocator
    from matplotlib.transforms import ScaledTranslation

    wide, high = figure.get_size_inches()
    title = 0.24 if any(axes.get_title() for axes in figure.axes) else 0.05
    # Margins in inches, close to what is found below, so that there is room for the same ticks.
    figure.subplots_adjust(0.6 / wide, 0.46 / high, 1 - 0.04 / wide, 1 - title / high, wspace=0.2)
    for axes in figure.axes:
        axes.apply_aspect()
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_locator(FixedLocator(axis.get_majorticklocs().tolist()))
            axis.set_minor_locator(FixedLocator(axis.get_minorticklocs().tolist()))
        for artist in axes.get_children():
            # Only what is written can reach beyond the axes; to look for the ends of all else takes as long again.
            artist.set_in_layout(isinstance(artist, Text | Axis | Legend))
    before = [axes.bbox.frozen() for axes in figure.axes]
    figure.tight_layout(pad=GAP, w_pad=2 * GAP)
    figure.set_layout_engine(None)
    for axes, box in zip(figure.axes, before, strict=True):
        below = (axes.xaxis.label.get_position()[1] - box.y0) / figure.dpi
        beside = (axes.yaxis.label.get_position()[0] - box.x0) / figure.dpi
        axes.xaxis.set_label_coords(0.5, 0, axes.transAxes + ScaledTranslation(0, below, figure.dpi_scale_trans))
        axes.yaxis.set_label_coords(0, 0.5, axes.transAxes + ScaledTranslation(beside, 0, figure.dpi_scale_trans))


def rendered(figure: Figure, kind: str) -> bytes:
    """Bytes of a figure as "svg" or "png", without dates."""
    import cv2
    import matplotlib as mpl

    with mpl.rc_context(SETTINGS):
        stream = io.BytesIO()
        figure.savefig(stream, format="rgba" if kind == "png" else kind, **FORMATS[kind])
        if kind != "png":
            return stream.getvalue()
        dpi = FORMATS["png"]["dpi"]
        rgba = np.frombuffer(stream.getbuffer(), np.uint8).reshape(-1, int(figure.get_figwidth() * dpi), 4)
        return png(np.asarray(cv2.cvtColor(rgba, cv2.COLOR_RGBA2RGB), np.uint8), dpi=dpi)
