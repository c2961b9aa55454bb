"""Small invented micrographs for tests that ask what happens to a picture, not what is measured on it."""

from functools import cache

import cv2
import numpy as np

from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field


@cache
def png(seed: int = 1, shape: tuple[int, int] = (96, 112), fraction: float = 0.08) -> bytes:
    """Bright carbides of 6 px, as a file of 8 bits."""
    scene = Scene((Population(fraction, 6.0),), optics=Optics(100, (200,), noise=4.0))
    grey, _ = make_field(scene, shape, np.random.default_rng(seed))
    return cv2.imencode(".png", grey.astype(np.uint8))[1].tobytes()
