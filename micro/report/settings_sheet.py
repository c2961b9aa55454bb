"""One field at several settings, side by side, for choosing by eye what to pin."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from micro.field import FieldResult, measure
from micro.image.micrograph import Micrograph
from micro.pictures.outlines import draw_outlines, write
from micro.scale.scale import Scale
from micro.segmentation.segmentation import Segmentation, SegmentationSettings

COLUMNS = 3
PANEL_PX = (420, 315)
STRIP_PX = 46
LETTERS_PX = 14
GAP_PX = 8
SHARES_OF_CONTRAST = (0.35, 0.65)
SMALLEST_PX = (3.0, 24.0)
PAPER = 255


def settings_sheet(micrograph: Micrograph, settings: SegmentationSettings) -> NDArray[np.uint8]:
    """RGB sheet (rows, columns, 3): the middle of a field, bare and with the outlines that several settings give.

    Under each panel stand the setting, and area fraction, share inside the outlines and count over the whole field.

    Parameters
    ----------
    micrograph
        With its scale; pixels are taken as micrometres where it has none.
    settings
        What the first panel uses; the others change one thing each.
    """
    scaled = micrograph if micrograph.scale else replace(micrograph, scale=Scale(1.0, None, "none"))
    bare = measure(scaled, settings=settings)
    panels = [_panel(micrograph, None, "bare micrograph"), _panel(micrograph, bare, "as found")]
    for words, changed in variants(settings, bare.segmentation):
        panels.append(_panel(micrograph, measure(scaled, settings=changed), words))
    return _tiled(panels)


def variants(settings: SegmentationSettings, found: Segmentation) -> Iterator[tuple[str, SegmentationSettings]]:
    """Yield settings to try, each with its words: the outline's level, then the smallest carbide."""
    if len(found.classes) == 1:
        for share in SHARES_OF_CONTRAST:
            grey = found.matrix_grey + share * found.classes[0].contrast
            yield f"outline at grey {grey:.0f}", replace(settings, threshold_grey=grey)
    for smallest in SMALLEST_PX:
        yield f"carbides from {smallest:.0f} px²", replace(settings, min_area_px=smallest)


def _summary(found: FieldResult) -> str:
    analysed = found.segmentation.analysed_px * found.scale.um_per_px**2
    contrast, outlines = (
        100 * found.particles[c].sum() / max(analysed, 1e-12) for c in ("area_um2", "outline_area_um2")
    )
    return f"{contrast:.2f} % area, outlines {outlines:.2f} %, {len(found.particles)} carbides"


def _panel(micrograph: Micrograph, found: FieldResult | None, words: str) -> NDArray[np.uint8]:
    rows, columns = micrograph.grey.shape
    width, height = min(PANEL_PX[0], columns), min(PANEL_PX[1], rows)
    left, top = (columns - width) // 2, (rows - height) // 2
    drawn = _bare(micrograph) if found is None else draw_outlines(micrograph, found.segmentation)
    panel = np.full((PANEL_PX[1] + STRIP_PX, PANEL_PX[0], 3), PAPER, np.uint8)
    panel[:height, :width] = drawn[top : top + height, left : left + width]
    for line, text in enumerate((words, "" if found is None else _summary(found))):
        write(panel, text, 2, PANEL_PX[1] + 13 + 20 * line, LETTERS_PX)
    return panel


def _bare(micrograph: Micrograph) -> NDArray[np.uint8]:
    from micro.pictures.outlines import display_range, to_display

    return to_display(micrograph.grey, *display_range(micrograph.grey))


def _tiled(panels: list[NDArray[np.uint8]]) -> NDArray[np.uint8]:
    from skimage.util import montage

    grid = (-(-len(panels) // COLUMNS), COLUMNS)
    return montage(panels, fill=[PAPER] * 3, grid_shape=grid, padding_width=GAP_PX, channel_axis=-1)
