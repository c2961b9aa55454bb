"""Small sound files of every kind that the program reads, as bytes."""

from __future__ import annotations

import io

import cv2
import numpy as np
import tifffile

STUDY = """\
title = "Invented"
um_per_px = 0.2
carbides = "bright"

[[class]]
name = "MC"
grey = 200

[[specimen]]
name = "A"
route = "ingot-cast"
plane = "longitudinal"
rolling_deg = 0
images = ["a*.png"]
composition = { C = 1.5, Cr = 12.0 }

[[specimen.field]]
image = "a1.png"
threshold_grey = 150.5
"""
TALLY = """\
sheet,specimen,field,image_sha256,grid_points,point,x_px,y_px,verdict,carbide_class,counter
s1,A,a1,00ff,2,1,10.5,10.5,in,MC,me
s1,A,a1,00ff,2,2,20.5,10.5,out,,me
s1,A,a2,00fe,1,1,10.5,10.5,boundary,MC,'=me
"""
FORM = """\
sheet,page,specimen,field,image_sha256,columns,rows,first_x_px,first_y_px,step_x_px,step_y_px,carbide_class,inside,boundary,counter
s1,1,A,a1,00ff,4,3,10.5,10.5,20,20,,3,1,me
s1,2,A,a2,00fe,4,3,10.5,10.5,20,20,,,,
"""
COUPONS = """\
specimen;coupon;direction;toughness_J;hardness_HRC;austenite
A;1;longitudinal;21,5;58;1040
A;2;T;11;58,5;1040
A;2;T;11;58,5;1040
B;1;along;-;61;1080
B;2;TL;1e1;;=1+1
"""
CALIBRATION = """\
um_per_px = 0.2012
um_per_px_standard_uncertainty = 0.0003
pitch_um = 10.0
lines = 41
image_width_px = 1280
image_height_px = 960
image_sha256 = "00ff"
date = 2026-01-31
tilt_deg = 0.4
largest_residual_px = 0.02
distortion_pct = 0.001
"""


def picture(ending: str = ".png", shape: tuple[int, int] = (40, 48)) -> bytes:
    """Noise as PNG, JPEG or BMP."""
    grey = np.random.default_rng(5).integers(40, 200, shape, dtype=np.uint8)
    return cv2.imencode(ending, grey)[1].tobytes()


def pictures() -> list[bytes]:
    """PNG, JPEG, BMP, and TIFF in strips, tiles, colour, 16 bits, floats, pages and with a scale."""
    rng = np.random.default_rng(5)
    grey = rng.integers(40, 200, (40, 48), dtype=np.uint8)
    colour = rng.integers(40, 200, (40, 48, 3), dtype=np.uint8)
    alpha = rng.integers(40, 200, (40, 48, 4), dtype=np.uint8)
    found = [picture(ending) for ending in (".png", ".jpg", ".bmp")]
    found += [cv2.imencode(".png", values)[1].tobytes() for values in (colour, alpha, grey.astype(np.uint16) * 200)]
    found.append(cv2.imencode(".bmp", colour)[1].tobytes())
    for packing in (5, 7, 32773):  # LZW, JPEG, PackBits
        found.append(cv2.imencode(".tif", grey, [cv2.IMWRITE_TIFF_COMPRESSION, packing])[1].tobytes())
    palette = rng.integers(0, 65535, (3, 256), dtype=np.uint16)
    for values, options in (
        (grey, {}),
        (grey, {"tile": (16, 16), "compression": "zlib"}),
        (grey, {"rowsperstrip": 7}),
        (grey, {"byteorder": ">", "bigtiff": True, "predictor": True, "compression": "zlib"}),
        (grey, {"photometric": "miniswhite", "extratags": [(274, 3, 1, 6, True)]}),
        (grey, {"photometric": "palette", "colormap": palette}),
        (grey.astype(np.float32), {"resolution": (50000, 50000), "resolutionunit": 3}),
        (grey.astype(np.uint16) * 16, {"ome": True, "metadata": {"axes": "YX", "PhysicalSizeX": 0.2}}),
        (colour, {"photometric": "rgb"}),
        (np.moveaxis(colour, 2, 0), {"photometric": "rgb", "planarconfig": "separate"}),
        (np.stack([grey] * 2), {"photometric": "minisblack", "metadata": None}),
    ):
        stream = io.BytesIO()
        tifffile.imwrite(stream, values, **options)  # type: ignore[arg-type]
        found.append(stream.getvalue())
    return found


def sound(door: str) -> list[bytes]:
    """Files that the door of that name takes."""
    texts = {"study": [STUDY], "tally": [TALLY, FORM], "coupons": [COUPONS], "calibration": [CALIBRATION]}
    return pictures() if door == "picture" else [text.encode() for text in texts[door]]
