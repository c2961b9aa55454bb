"""The invented pictures under calibration/: `python -m micro.phantom.micrometers FOLDER` draws them again."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from micro.phantom.picture import Optics
from micro.phantom.ruling import BRIGHT_FIELD, Micrometer, photograph_micrometer

SHAPE = (768, 1024)
NOISE = 4.0


@dataclass(frozen=True)
class Objective:
    """An invented objective: the micrometer under it, its light, its seed."""

    micrometer: Micrometer
    optics: Optics
    seed: int


OBJECTIVES = {
    "20x": Objective(
        Micrometer(0.4932, tilt_deg=-1.7, numerals=True, dust=8, scratches=1), replace(BRIGHT_FIELD, noise=NOISE), 20
    ),
    "50x": Objective(
        Micrometer(0.1973, tilt_deg=2.3, numerals=True, dust=12), replace(BRIGHT_FIELD, noise=NOISE, shading=0.2), 50
    ),
}


def objective_picture(name: str) -> NDArray[np.uint8]:
    """Grey picture (rows, columns) uint8 of the micrometer under the objective of that name."""
    objective = OBJECTIVES[name]
    rng = np.random.default_rng(objective.seed)
    return photograph_micrometer(objective.micrometer, SHAPE, objective.optics, rng).astype(np.uint8)


def write_pictures(folder: Path) -> None:
    """Write NAME.png of every objective."""
    import cv2

    folder.mkdir(parents=True, exist_ok=True)
    for name in OBJECTIVES:
        cv2.imwrite(str(folder / f"{name}.png"), objective_picture(name), [cv2.IMWRITE_PNG_COMPRESSION, 9])


if __name__ == "__main__":
    write_pictures(Path(sys.argv[1]))
