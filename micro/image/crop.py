"""What of a picture is no micrograph: strips at its sides, and boxes that a person leaves out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.image.micrograph import Box, find_data_bar

SIDES = ("top", "bottom", "left", "right")


@dataclass(frozen=True)
class Crop:
    """Pixels to cut at each side of a picture.

    Raises
    ------
    ValueError
        If one is below 0.
    """

    top: int = 0
    bottom: int = 0
    left: int = 0
    right: int = 0

    def __post_init__(self) -> None:
        for side in SIDES:
            if getattr(self, side) < 0:
                raise ValueError(f"{side} must be 0 or more, got {getattr(self, side)}")

    @property
    def any(self) -> bool:
        """Whether anything is cut."""
        return any(getattr(self, side) for side in SIDES)

    def of(self, shape: tuple[int, int]) -> tuple[slice, slice]:
        """Rows and columns that stay of a picture of this shape."""
        return slice(self.top, shape[0] - self.bottom), slice(self.left, shape[1] - self.right)


def find_data_bars(grey: NDArray[np.float32], grey_max: float = 255.0) -> Crop:
    """Find the data bars at the sides of a picture (rows, columns).

    The bottom is looked at first, then the top, then the left and the right of what stays; see `find_data_bar`.
    """
    found = dict.fromkeys(SIDES, 0)
    for side in ("bottom", "top", "left", "right"):
        stays = grey[Crop(**found).of((grey.shape[0], grey.shape[1]))]
        found[side] = find_data_bar(_towards_the_bottom(stays, side), grey_max)
    return Crop(**found)


def _towards_the_bottom(grey: NDArray[np.float32], side: str) -> NDArray[np.float32]:
    """Turn a picture so that this side of it is at the bottom; rows run along it."""
    if side == "bottom":
        return grey
    if side == "top":
        return grey[::-1]
    return grey.T if side == "right" else grey[:, ::-1].T


def mask_of(boxes: Iterable[Box], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """(rows, columns) True inside any of the boxes."""
    where = np.zeros(shape, bool)
    for box in boxes:
        where[max(box.y, 0) : max(box.y + box.height, 0), max(box.x, 0) : max(box.x + box.width, 0)] = True
    return where
