"""The banding profile beside the field it came from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from micro.report.figures.style import colour, legend

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

WIDEST_PX = 900


def draw_banding(
    axes: list[Axes], picture: NDArray[np.uint8], um_per_px: float, rolling_deg: float, profiles: pd.DataFrame
) -> None:
    """Field turned so that rolling is horizontal (left), and area fraction across rolling at the same height (right).

    Parameters
    ----------
    picture
        (rows, columns) grey levels for the eye.
    profiles
        Curves of this field.
    """
    rows, columns = picture.shape
    turned = _level(picture, rolling_deg)
    high, wide = turned.shape
    turn = np.radians(rolling_deg)
    middle = (columns * np.sin(turn) + rows * np.cos(turn)) / 2
    top, bottom = (middle - high / 2) * um_per_px, (middle + high / 2) * um_per_px
    axes[0].imshow(
        _no_wider(turned), cmap="gray", extent=(0, wide * um_per_px, bottom, top), interpolation="bilinear", vmin=0
    )
    axes[0].set(xlabel="along rolling, µm", ylabel="across rolling, µm", anchor="W")
    axes[0].grid(visible=False)
    curve = dict(list(profiles.groupby("curve", sort=False, observed=True)))
    axis = axes[1]
    if "band_profile_random_low" in curve:
        low, high_end = curve["band_profile_random_low"], curve["band_profile_random_high"]
        axis.fill_betweenx(
            low["x"], 100 * low["y"], 100 * high_end["y"], color="#c8c8c8", linewidth=0, label="at random"
        )
    if "band_profile" in curve:
        axis.plot(
            100 * curve["band_profile"]["y"],
            curve["band_profile"]["x"],
            color="#9a9a9a",
            linewidth=0.5,
            label="every row",
        )
    if "band_profile_smoothed" in curve:
        own = curve["band_profile_smoothed"]
        axis.plot(100 * own["y"], own["x"], color=colour(0), linewidth=1.8, label="smoothed")
    axis.set(ylim=(bottom, top), xlabel="area fraction, %")
    axis.set_xlim(0, _reach(curve) if "band_profile_smoothed" in curve else None)
    legend(axis)


def _reach(curve: dict) -> float:
    """Right end of the axis, in %: the smoothed profile and the middle of the band at random with some room."""
    smoothed, far = curve["band_profile_smoothed"]["y"], curve["band_profile_random_high"]["y"]
    return 130 * float(max(smoothed.max(), far.median()))


def _level(picture: NDArray[np.uint8], rolling_deg: float) -> NDArray[np.uint8]:
    """Turn a picture so that rolling is horizontal; white outside."""
    import cv2

    if rolling_deg == 0:
        return picture
    rows, columns = picture.shape
    turn = np.radians(rolling_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    wide, high = (int(abs(a * cos) + abs(b * sin) + 0.5) for a, b in ((columns, rows), (rows, columns)))
    to_source = np.array([[cos, sin, 0.0], [-sin, cos, 0.0]])
    to_source[:, 2] = np.array([columns - 1, rows - 1]) / 2 - to_source[:, :2] @ np.array([wide - 1, high - 1]) / 2
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(picture, to_source, (wide, high), flags=flags, borderValue=255)


def _no_wider(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Shrink a picture to the dots that the figure has for it."""
    import cv2

    rows, columns = picture.shape
    if columns <= WIDEST_PX:
        return picture
    return cv2.resize(picture, (WIDEST_PX, max(1, round(rows * WIDEST_PX / columns))), interpolation=cv2.INTER_AREA)
