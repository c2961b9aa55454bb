"""What a camera makes of a picture: tone curve, sharpening, median filter, demosaic, JPEG, clipping."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.float32]


@dataclass(frozen=True)
class Camera:
    """Steps of a camera, in this order; the defaults leave the picture as it is.

    Parameters
    ----------
    gain
        Exposure; above 1 it drives bright parts to full scale.
    mosaic
        Whether every second pixel is interpolated from its four neighbours, as the green of a colour sensor is.
    gamma
        Tone curve grey_max·(grey/grey_max)^gamma.
    sharpening, sharpening_px
        Unsharp mask: strength, and standard deviation of its blur.
    median_px
        Side of a median filter; 0: none.
    jpeg
        Quality, 1 to 100; 0: not compressed.
    """

    gain: float = 1.0
    mosaic: bool = False
    gamma: float = 1.0
    sharpening: float = 0.0
    sharpening_px: float = 1.5
    median_px: int = 0
    jpeg: int = 0


def developed(grey: Grey, camera: Camera, grey_max: float = 255.0) -> Grey:
    """Grey picture (rows, columns) float32 of whole levels, 0 to `grey_max`."""
    picture = np.clip(grey * np.float32(camera.gain), 0, np.float32(grey_max))
    if camera.mosaic:
        picture = _demosaiced(picture)
    if camera.gamma != 1:
        picture = np.float32(grey_max) * (picture / np.float32(grey_max)) ** np.float32(camera.gamma)
    if camera.sharpening:
        soft = cv2.GaussianBlur(picture, (0, 0), camera.sharpening_px)
        picture = picture + np.float32(camera.sharpening) * (picture - soft)
    picture = np.clip(np.rint(picture), 0, grey_max).astype(np.float32)
    if camera.median_px:
        picture = cv2.medianBlur((255 / grey_max * picture).astype(np.uint8), camera.median_px).astype(np.float32)
        picture *= np.float32(grey_max / 255)
    return _compressed(picture, camera.jpeg, grey_max) if camera.jpeg else picture


def _demosaiced(picture: Grey) -> Grey:
    cross = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], np.float32) / 4
    rows, columns = picture.shape
    odd = np.add.outer(np.arange(rows), np.arange(columns)) % 2 > 0
    return np.where(~odd, picture, cv2.filter2D(picture, -1, cross))


def _compressed(picture: Grey, quality: int, grey_max: float) -> Grey:
    eight = np.rint(picture * (255 / grey_max)).astype(np.uint8)
    _, code = cv2.imencode(".jpg", eight, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), np.float32) * np.float32(grey_max / 255)
