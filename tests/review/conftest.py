"""Fields with known carbides, measured into a results folder, and reviews of them written as the page writes them."""

import json
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
import tifffile

from micro.field import measure
from micro.phantom.scenes import Population, Scene, make_field
from micro.review.apply import outlines_sha256

UM_PER_PX = 0.2
SHAPE = (240, 320)


def grey_field(seed, fraction=0.08, ecd_px=16.0, shape=SHAPE):
    """(rows, columns) uint8 invented field with bright carbides."""
    grey, _ = make_field(Scene((Population(fraction, ecd_px),)), shape, np.random.default_rng(seed))
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def middle_of(labels, number):
    """Return x, y of the pixel of a carbide that lies deepest in it."""
    depth = cv2.distanceTransform((labels == number).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    row, column = np.unravel_index(depth.argmax(), depth.shape)
    return float(column) + 0.5, float(row) + 0.5


def write_pictures(folder, number):
    """Write `number` pictures; return their paths."""
    paths = []
    for k in range(number):
        path = folder / f"f{k + 1}.png"
        cv2.imwrite(str(path), grey_field(20 + k))
        paths.append(path)
    return paths


def review_content(out, acts, who="KM"):
    """Return the content of a review file of a results folder: acts by specimen and field."""
    record = json.loads((out / "run.json").read_text())
    fields = []
    for outcome in record["outcomes"]:
        own = acts.get((outcome["specimen"], outcome["field"]))
        if own is not None:
            labels = tifffile.imread(out / "labels" / f"{outcome['stem']}.tif")
            fields.append({
                "specimen": outcome["specimen"], "field": outcome["field"], "image_sha256": outcome["image_sha256"],
                "outlines_sha256": outlines_sha256(labels), "acts": own,
            })  # fmt: skip
    return {"format": "micro review", "version": 1, "who": who, "saved": "2026-01-05T10:00:00Z", "fields": fields}


@pytest.fixture(scope="session")
def tools():
    """Give what the tests of this folder share."""
    return SimpleNamespace(
        um_per_px=UM_PER_PX, shape=SHAPE, grey_field=grey_field, middle_of=middle_of, write_pictures=write_pictures,
        command=command,        review_content=review_content,
    )  # fmt: skip


@pytest.fixture(scope="session")
def found():
    """One field as the program finds it."""
    return measure(grey_field(7).astype(np.float32), um_per_px=UM_PER_PX, rolling_deg=0, carbides="bright")


@pytest.fixture(scope="session")
def measured(tmp_path_factory):
    """Three pictures, and the results folder of a run on them: folder of the pictures, their paths, results."""
    from micro.cli import group

    folder = tmp_path_factory.mktemp("reviewed")
    paths = write_pictures(folder, 3)
    group.main([*command(paths), "--out", str(folder / "found")], standalone_mode=False)
    return SimpleNamespace(folder=folder, paths=paths, out=folder / "found")


def command(paths):
    """Return the arguments that measure pictures with one process."""
    given = ["--um-per-px", str(UM_PER_PX), "--rolling-deg", "0", "--carbides", "bright", "--workers", "1"]
    return ["measure", *map(str, paths), *given]
