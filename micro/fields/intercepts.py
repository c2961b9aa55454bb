"""Intercepts per length on all scan lines along and across the rolling direction (ASTM E1268)."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

UNRELATED = np.pi / 2 - 1


@dataclass(frozen=True)
class Intercepts:
    """N_L and phase lengths on one set of parallel lines, px."""

    per_px: float
    line_length: float
    in_carbide: float


def scan(labels: NDArray[np.int32], excluded: NDArray[np.bool_], rolling_deg: float) -> tuple[Intercepts, Intercepts]:
    """Count intercepts on lines along and across a direction (degrees, counter-clockwise as seen)."""
    field = np.where(excluded, -1, labels).astype(np.float32)
    turned = rotate(field, rolling_deg)
    return count(turned), count(turned.T)


def rotate(field: NDArray[np.float32], angle_deg: float) -> NDArray[np.float32]:
    """Turn a picture so that the direction runs along its rows; -1 outside."""
    rows, columns = field.shape
    turn = np.radians(angle_deg)
    c, s = np.cos(turn), np.sin(turn)
    wide, high = (int(np.ceil(abs(a * c) + abs(b * s))) for a, b in ((columns, rows), (rows, columns)))
    to_source = np.array([[c, s, 0.0], [-s, c, 0.0]])
    to_source[:, 2] = np.array([columns - 1, rows - 1]) / 2 - to_source[:, :2] @ np.array([wide - 1, high - 1]) / 2
    return cv2.warpAffine(
        field,
        to_source,
        (wide, high),
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=-1,
    )


def count(turned: NDArray[np.float32]) -> Intercepts:
    """Count features on the rows: half of the crossings of their outlines, so that a line's end counts ½."""
    left, right = turned[:, :-1], turned[:, 1:]
    crossing = (left != right) & (left >= 0) & (right >= 0)
    crossings = crossing.sum() + (crossing & (left > 0) & (right > 0)).sum()
    length = float((turned >= 0).sum())
    return Intercepts(crossings / 2 / length if length else np.nan, length, float((turned > 0).sum()))
