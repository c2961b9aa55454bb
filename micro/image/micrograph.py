"""A micrograph, and what of a picture is none: data bars, strips and boxes left out; the parts of a mosaic."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from micro.address import Address
from micro.issues import Issue
from micro.scale.scale import Scale

# Up to here a picture is measured in one piece: 3.1 GiB where it is dense with carbides.
LARGEST_FIELD_PX = 36_000_000
CORE_PX = 2048
NARROW_MARGIN_PX, MARGIN_PX = 48, 256
SIDE_PX = 8  # so near to the side of a frame, a carbide's light may not be whole


@dataclass(frozen=True)
class SubField:
    """One part of a mosaic: the core it answers for, and the frame that is read about it; px of the mosaic.

    A carbide belongs to the sub-field whose core holds its centroid, so that carbides across seams are measured
    once and whole as long as they reach less than the margin beyond the core.
    """

    top: int
    left: int
    bottom: int
    right: int
    mosaic_rows: int
    mosaic_columns: int
    margin_px: int = MARGIN_PX

    @property
    def frame(self) -> tuple[int, int, int, int]:
        """Top, left, bottom and right of what is read."""
        return (
            max(self.top - self.margin_px, 0),
            max(self.left - self.margin_px, 0),
            min(self.bottom + self.margin_px, self.mosaic_rows),
            min(self.right + self.margin_px, self.mosaic_columns),
        )

    @property
    def core_in_frame(self) -> tuple[slice, slice]:
        """Rows and columns of the core in what is read."""
        top, left, _, _ = self.frame
        return slice(self.top - top, self.bottom - top), slice(self.left - left, self.right - left)

    @property
    def narrow(self) -> SubField:
        """The same part with no more than a narrow margin."""
        return replace(self, margin_px=min(self.margin_px, NARROW_MARGIN_PX))

    def cuts(self, labels: NDArray[np.int32]) -> bool:
        """Tell whether a region reaches from the core to a side of the frame that is no side of the mosaic.

        Parameters
        ----------
        labels
            (rows, columns) of the frame: numbers of regions, 0 elsewhere.
        """
        core = labels[self.core_in_frame]
        own = np.unique(np.concatenate([core[0], core[-1], core[:, 0], core[:, -1]]))
        seams = (
            (labels[:SIDE_PX], self.top),
            (labels[:, :SIDE_PX], self.left),
            (labels[-SIDE_PX:], self.mosaic_rows - self.bottom),
            (labels[:, -SIDE_PX:], self.mosaic_columns - self.right),
        )
        return any(np.isin(side, own[own > 0]).any() for side, beyond in seams if beyond)


def sub_fields(rows: int, columns: int, core_px: int = CORE_PX, margin_px: int = MARGIN_PX) -> list[list[SubField]]:
    """Cut a mosaic into rows of sub-fields with cores of nearly one size, at most `core_px` a side."""
    edges_y, edges_x = _edges(rows, core_px), _edges(columns, core_px)
    return [
        [SubField(top, left, bottom, right, rows, columns, margin_px) for left, right in itertools.pairwise(edges_x)]
        for top, bottom in itertools.pairwise(edges_y)
    ]


def _edges(length: int, most: int) -> list[int]:
    parts = math.ceil(length / most)
    return [round(length * i / parts) for i in range(parts + 1)]


@dataclass(frozen=True)
class Box:
    """A rectangle of a picture, px from its top left corner.

    Raises
    ------
    ValueError
        If it has no area.
    """

    x: int
    y: int
    width: int
    height: int

    def __post_init__(self) -> None:
        if self.width < 1 or self.height < 1:
            raise ValueError(f"a box needs width and height above 0, got {self.width} x {self.height}")

    def moved(self, right: int, down: int) -> Box:
        """Return it shifted by so many pixels."""
        return replace(self, x=self.x + right, y=self.y + down)


MOST_OF_THE_HEIGHT = 0.25
FEWEST_ROWS = 8
# A bar's upper edge is a straight step over nearly the whole width; no grain or band ends like that.
STEP = 0.05
COLUMNS_THAT_STEP = 0.8
# Of a sample of so many columns the share is off by less than this: six standard deviations.
SAMPLED_COLUMNS, SAMPLED_SHARE = 256, 0.15
# Its ground is one grey level, give or take JPEG packing; letters and a scale bar cover the rest.
GROUND_TOLERANCE = 0.015
SHARE_OF_GROUND = 0.5


def find_data_bar(grey: NDArray[np.float32], grey_max: float = 255.0) -> int:
    """Count the rows of data bar at the bottom of a picture (rows, columns); 0 where there is none.

    A bar has at least 8 rows and at most a quarter of the height, one even ground, and an upper edge at which
    four columns of five step the same way. A bar as dark or bright as the matrix above it is not found.
    """
    rows = grey.shape[0]
    first = rows - int(rows * MOST_OF_THE_HEIGHT)
    if first < 2 or rows - first < FEWEST_ROWS:
        return 0
    # Some columns tell which rows are worth a look at all of them.
    some = _share_that_steps(grey[first - 2 :, :: max(1, grey.shape[1] // SAMPLED_COLUMNS)], grey_max)
    for offset in np.flatnonzero(some >= COLUMNS_THAT_STEP - SAMPLED_SHARE):
        at = first + int(offset)
        if _share_that_steps(grey[at - 2 : at + 2], grey_max)[0] < COLUMNS_THAT_STEP:
            continue
        edge = _upper_edge(grey, first + int(offset))
        if rows - edge >= FEWEST_ROWS and _has_even_ground(grey[edge + 1 :], grey_max):
            return rows - edge
    return 0


def _share_that_steps(grey: NDArray[np.float32], grey_max: float) -> NDArray[np.float64]:
    """Share of the columns that step the same way into each row but the first two and the last.

    Two rows apart, so that an edge smeared over a row by packing or resampling still steps in full.
    """
    step = grey[2:-1] - grey[:-3]
    up, down = (np.mean(side > STEP * grey_max, axis=1) for side in (step, -step))
    return np.maximum(up, down)


def _upper_edge(grey: NDArray[np.float32], row: int) -> int:
    """First row that is no longer micrograph, of the two rows at the step."""
    above, first, second = (float(np.median(grey[i])) for i in (row - 2, row - 1, row))
    return row - 1 if abs(first - above) > 0.2 * abs(second - above) else row


def _has_even_ground(strip: NDArray[np.float32], grey_max: float) -> bool:
    ground = float(np.median(strip))
    return float(np.mean(np.abs(strip - ground) <= GROUND_TOLERANCE * grey_max)) >= SHARE_OF_GROUND


@dataclass(frozen=True, eq=False)
class Micrograph:
    """The analysed part of one picture, and what is known of it.

    Parameters
    ----------
    grey
        (rows, columns) float32, grey levels as in the file; the data bar is gone.
    grey_max
        Full scale of the sensor in the same levels: 255, 4095, 65535, ...
    name
        Name of the field.
    scale
        Size of a pixel; None where nothing states it.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen, 0 to 180; None where unknown.
    path, sha256
        The file or address, and the hash of its bytes; None and "" for a picture that was made in memory.
    data_bar
        (rows, columns) float32, the rows cut off at the bottom; no rows where nothing was cut.
    issues
        What the reading noticed: page taken, colour turned to grey, rows cut, saturation.
    stated_scale
        Size of a pixel in the tags of the file where another one is in use.
    sub_field
        Where it is the frame of a part of a mosaic; None for a whole picture.
    left_out
        Boxes that a person leaves out, px of `grey`.
    cut_px
        Rows cut at the top and columns cut at the left: where `grey` begins in the file.

    Raises
    ------
    ValueError
        If `grey` is no picture of one channel, holds NaN or infinity, or lies outside 0 to `grey_max`; if `rolling_deg`
        lies outside 0 to 180.
    """

    grey: NDArray[np.float32]
    grey_max: float = 255.0
    name: str = "field"
    scale: Scale | None = None
    rolling_deg: float | None = None
    path: Path | Address | None = None
    sha256: str = ""
    data_bar: NDArray[np.float32] = field(default_factory=lambda: np.empty((0, 0), np.float32))
    issues: tuple[Issue, ...] = ()
    stated_scale: Scale | None = None
    sub_field: SubField | None = None
    left_out: tuple[Box, ...] = ()
    cut_px: tuple[int, int] = (0, 0)

    def __post_init__(self) -> None:
        if self.grey.ndim != 2:
            raise ValueError(f"grey must have rows and columns, got the shape {self.grey.shape}; take one channel")
        if not (math.isfinite(self.grey_max) and self.grey_max > 0):
            raise ValueError(f"grey_max must be a finite number above 0, got {self.grey_max}")
        if self.rolling_deg is not None and not 0 <= self.rolling_deg <= 180:
            raise ValueError(f"rolling_deg must lie in 0 to 180, got {self.rolling_deg:g}")
        lowest, highest = (float(f(self.grey, initial=0)) for f in (np.min, np.max))  # NaN where one is
        if not (math.isfinite(lowest) and math.isfinite(highest)):
            raise ValueError("grey must be finite, got NaN or infinity; mend or cut those pixels")
        if lowest < 0 or highest > self.grey_max:
            raise ValueError(f"grey must lie in 0 to grey_max, {self.grey_max:g}, got {lowest:g} to {highest:g}")

    def cropped(self, part: tuple[slice, slice]) -> Micrograph:
        """Return rows and columns of it, everything else as it is."""
        return replace(self, grey=self.grey[part])

    @property
    def core(self) -> Micrograph:
        """Return the core of what was read of a part of a mosaic; itself where it is no such part."""
        return self if self.sub_field is None else self.cropped(self.sub_field.core_in_frame)


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
