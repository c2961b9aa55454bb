"""All that one field tells of itself: focus, motion, compression, etch, scale, and whether it is one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from micro.checks.blocks import block_steps
from micro.checks.etch import etch_change
from micro.checks.focus import soft_focus
from micro.checks.magnification import implausible_size, scale_disagrees
from micro.checks.micrometer import stage_micrometer
from micro.checks.motion import directed_blur
from micro.checks.trouble import Trouble
from micro.flags import FIELD_FLAGS, bit
from micro.scale import Scale
from micro.segmentation import Segmentation

if TYPE_CHECKING:
    import pandas as pd

# Invented fields without a fault stay below 0.02 and 3, and below 0.06 or 6: see tests/checks/test_false_alarms.py.
LEAST_STEP, SURE_STEP = 0.05, 6.0
LEAST_CHANGE, SURE_CHANGE = 0.075, 6.0


def check_field(
    segmentation: Segmentation,
    grey: NDArray[np.float32],
    particles: pd.DataFrame,
    scale: Scale,
    stated: Scale | None = None,
) -> Segmentation:
    """Add the troubles of one field to its segmentation: flags and messages.

    Parameters
    ----------
    segmentation
        Of the field.
    grey
        (rows, columns) grey levels as in the file.
    particles
        The field's table from `measure_particles`.
    scale
        Size of a pixel in use.
    stated
        The one that the file states; None where it states none, or where it is the one in use.
    """
    found = list(_troubles(segmentation, grey, particles, scale, stated))
    word = segmentation.field_flags
    for trouble in found:
        word |= bit(trouble.flag, FIELD_FLAGS)
    return segmentation.told(word, (*segmentation.messages, *(t.text for t in found)))


def _troubles(
    s: Segmentation, grey: NDArray[np.float32], particles: pd.DataFrame, scale: Scale, stated: Scale | None
) -> Iterator[Trouble]:
    found = stage_micrometer(grey)
    if found:
        yield found
    median_um = _median_ecd(particles)
    if s.blur_px is not None and s.count:
        found = soft_focus(s.blur_px, median_um / scale.um_per_px)
        if found:
            yield found
        found = implausible_size(median_um, s.blur_px * scale.um_per_px)
        if found:
            yield found
    if stated is not None:
        found = scale_disagrees(scale.um_per_px, stated.um_per_px, stated.origin)
        if found:
            yield found
    yield from _motion(s)
    yield from _blocks(grey, s.noise)
    yield from _etch(s)


def _median_ecd(particles: pd.DataFrame) -> float:
    """Diameter that halves the area of the carbides, µm; NaN without carbides."""
    area = np.sort(np.maximum(particles["area_um2"].to_numpy(float), 0))
    if not area.sum() > 0:
        return float("nan")
    return float(2 * np.sqrt(area[np.searchsorted(np.cumsum(area), area.sum() / 2)] / np.pi))


def _motion(s: Segmentation) -> Iterator[Trouble]:
    blur = directed_blur(s)
    if blur is not None:
        yield Trouble(
            "motion_blur",
            f"edges are blurred along {blur.direction_deg:.0f}° as by a motion over {blur.length_px:.1f} px: let the "
            "stage rest, shorten the exposure, or look for astigmatism",
        )


def _blocks(grey: NDArray[np.float32], noise: float) -> Iterator[Trouble]:
    steps = block_steps(grey, noise)
    if steps.excess > LEAST_STEP and steps.significance > SURE_STEP:
        yield Trouble(
            "compressed",
            f"steps at the borders of 8 × 8 blocks are {100 * steps.excess:.0f} % larger than elsewhere: lossy "
            "compression (JPEG) changed the grey levels; save pictures as TIFF or PNG",
        )


def _etch(s: Segmentation) -> Iterator[Trouble]:
    change = etch_change(s)
    sure = change is not None and change.relative_range > SURE_CHANGE * change.standard_uncertainty
    if change is not None and sure and change.relative_range > LEAST_CHANGE:
        yield Trouble(
            "uneven_etch",
            f"the contrast of the carbides changes by {100 * change.relative_range:.0f} % over the field, and rises "
            f"towards {change.direction_deg:.0f}°: uneven etch or stray light make sizes unlike; etch again, more "
            "evenly",
        )
