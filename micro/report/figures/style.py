"""How every figure looks, and how it leaves the program: the same bytes each time."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from micro import results
from micro.report.figures.png import png

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

# Told apart by people with any kind of colour vision, and in grey print by their dashes.
COLOURS = ("#1b4f72", "#c0651a", "#3f7d4e", "#7a4a86", "#5b5b5b", "#a0322f")
DASHES = ("solid", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)), (0, (3, 1)), (0, (8, 3)))
WIDTH_IN = 7.0
SVG_PICTURE_DPI, PNG_DPI = 200, 300
SETTINGS: dict[Any, Any] = {
    "font.size": 9,
    "font.family": "DejaVu Sans",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#e4e4e4",
    "legend.frameon": False,
    "svg.hashsalt": "micro",
    "svg.fonttype": "path",
}


def colour(number: int) -> str:
    """Colour of the specimen of that number."""
    return COLOURS[number % len(COLOURS)]


def dash(number: int) -> object:
    """Dashes of the specimen of that number."""
    return DASHES[number % len(DASHES)]


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


@contextlib.contextmanager
def styled(columns: int = 1, height_in: float = 3.0) -> Iterator[tuple[Figure, list[Axes]]]:
    """Figure with `columns` axes side by side, drawn in the report's style."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
        yield figure, list(figure.subplots(1, columns, squeeze=False)[0])


def write_figure(figure: Figure, folder: Path, name: str) -> bytes:
    """Write a figure as SVG and PNG; return the SVG."""
    svg = rendered(figure, "svg")
    for kind, content in (("svg", svg), ("png", rendered(figure, "png"))):
        with results.whole_file(folder / f"{name}.{kind}") as stream:
            stream.write(content)
    return svg


def rendered(figure: Figure, kind: str) -> bytes:
    """Bytes of a figure as "svg" or "png", without dates."""
    import matplotlib as mpl

    with mpl.rc_context(SETTINGS):
        layout = figure.get_layout_engine()
        if layout is not None:
            # Once for both kinds: placing the axes costs more than drawing them.
            layout.execute(figure)
            figure.set_layout_engine(None)
        return _svg(figure) if kind == "svg" else _png(figure)


def _svg(figure: Figure) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="svg", dpi=SVG_PICTURE_DPI, metadata={"Date": None, "Creator": None})
    return stream.getvalue()


def _png(figure: Figure) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure.set_dpi(PNG_DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return png(np.asarray(canvas.buffer_rgba()), PNG_DPI)
