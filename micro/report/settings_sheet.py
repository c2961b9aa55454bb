"""One field at several settings, side by side, for choosing by eye what to pin."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from micro.errors import InputError
from micro.field import FieldResult, measure
from micro.image.micrograph import Micrograph
from micro.pictures.outlines import display_range, draw_outlines, to_display, write
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


def settings_sheet(micrograph: Micrograph, settings: SegmentationSettings) -> tuple[NDArray[np.uint8], list[str]]:
    """RGB sheet (rows, columns, 3) of the middle of a field, and the lines for a study file that pin what was found.

    The field is there bare and with the outlines that several settings give.

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
    panels = [_panel(micrograph, None, _levels(bare.segmentation)), _panel(micrograph, bare, "as found")]
    for words, changed in variants(settings, bare.segmentation):
        try:
            panels.append(_panel(micrograph, measure(scaled, settings=changed), words))
        except InputError:
            continue  # a setting that makes no sense on this field is none to choose
    return _tiled(panels), found_settings(bare.segmentation)


def variants(settings: SegmentationSettings, found: Segmentation) -> Iterator[tuple[str, SegmentationSettings]]:
    """Yield settings to try, each with its key and value as the study file takes them.

    The outline's level, the other polarity, the smallest carbide that is counted: those that move the numbers most.
    """
    if len(found.classes) == 1:
        for share in SHARES_OF_CONTRAST:
            grey = round(found.matrix_grey + share * found.classes[0].contrast, 1)
            yield f"threshold_grey = {grey:g}", replace(settings, threshold_grey=grey)
    signs = {bool(c.contrast > 0) for c in found.classes}
    if len(signs) == 1 and not settings.class_greys and settings.threshold_grey is None:
        other = "dark" if signs == {True} else "bright"
        yield f'carbides = "{other}"', replace(settings, carbides=other)
    for smallest in SMALLEST_PX:
        yield f"min_area_px = {smallest:g}", replace(settings, min_area_px=smallest)


def found_settings(found: Segmentation) -> list[str]:
    """Lines for the study file that pin what was found: matrix, classes, edge spread."""
    lines = [f"matrix_grey = {found.matrix_grey:.1f}"]
    if len(found.classes) == 1:
        lines.append(f"threshold_grey = {found.matrix_grey + found.classes[0].contrast / 2:.1f}")
    if found.blur_px is not None:
        lines.append(f"blur_px = {found.blur_px:.2f}")
    for one in found.classes:
        lines += ["[[class]]", f'name = "{one.name}"', f"grey = {found.matrix_grey + one.contrast:.1f}"]
    return lines


def _levels(found: Segmentation) -> str:
    greys = ", ".join(f"{found.matrix_grey + c.contrast:.0f}" for c in found.classes)
    blur = "" if found.blur_px is None else f", blur {found.blur_px:.2f} px"
    return f"matrix {found.matrix_grey:.0f}{f', carbide {greys}' if greys else ''}, noise {found.noise:.1f}{blur}"


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
    if found is None:
        drawn = to_display(micrograph.grey, *display_range(micrograph.grey))
    else:
        drawn = draw_outlines(micrograph, found.segmentation)
    panel = np.full((PANEL_PX[1] + STRIP_PX, PANEL_PX[0], 3), PAPER, np.uint8)
    panel[:height, :width] = drawn[top : top + height, left : left + width]
    for line, text in enumerate((words, "" if found is None else _summary(found))):
        write(panel, text, 2, PANEL_PX[1] + 13 + 20 * line, LETTERS_PX)
    return panel


def _tiled(panels: list[NDArray[np.uint8]]) -> NDArray[np.uint8]:
    from skimage.util import montage

    grid = (-(-len(panels) // COLUMNS), COLUMNS)
    return montage(panels, fill=[PAPER] * 3, grid_shape=grid, padding_width=GAP_PX, channel_axis=-1)
