"""A study of a hard etch: laths drawn here, carbides that only their smoothness tells, a tally as the page saves it."""

import csv
import hashlib

import cv2
import numpy as np
from click.testing import CliRunner
from invented import person

from micro.cli import group
from micro.errors import MicroError
from micro.points.tally import TALLY

VERDICT = {0.0: "out", 0.5: "boundary", 1.0: "in"}
SIDE = 192


def micro(*words):
    """Run the command line in this process; its ending, with the trouble that ended it."""
    ended = CliRunner().invoke(group, [str(word) for word in words])
    if ended.exception is not None and not isinstance(ended.exception, SystemExit | MicroError):
        raise ended.exception
    return ended


def measure(folder, out, *more):
    """Measure the pictures of a study, with more words than it always needs."""
    pictures = sorted(folder.glob("f*.png"))
    return micro("measure", *pictures, "--um-per-px", "0.1", "--out", out, "--workers", 1, *more)


def laths(rng, side=SIDE, share=0.2):
    """(grey, carbide): round carbides of 8 to 16 px in a matrix of fine parallel laths as bright as they are.

    Laths are waves 4 px apart that turn from packet to packet. A threshold sees waves; the eye sees smooth islands.
    """
    rows, columns = np.mgrid[:side, :side].astype(np.float32)
    turn = cv2.GaussianBlur(rng.normal(size=(side, side)).astype(np.float32), (0, 0), 24)
    turn = 0.5 + 30 * turn
    waves = np.sin(2 * np.pi * (columns * np.cos(turn) + rows * np.sin(turn)) / 4)
    carbide = np.zeros((side, side), np.uint8)
    while carbide.mean() < share:
        place = rng.uniform(0, side, 2)
        cv2.circle(carbide, (int(place[0]), int(place[1])), int(rng.integers(4, 9)), 1, -1)
    inside = cv2.GaussianBlur(carbide.astype(np.float32), (0, 0), 0.8)
    grey = 110 + 25 * waves * (1 - inside) + rng.normal(0, 4, (side, side))
    return np.clip(grey, 1, 254).astype(np.uint8), carbide > 0


def write_fields(folder, number, seed, draw=laths):
    """Pictures f1.png, f2.png ... in a folder; their truth by name."""
    truth = {}
    for k in range(1, number + 1):
        grey, carbide = draw(np.random.default_rng([seed, k]))
        cv2.imwrite(str(folder / f"f{k}.png"), grey)
        truth[f"f{k}"] = carbide
    return truth


def write_tally(path, folder, truth, points=60, seed=5, counter="A. Counter"):
    """Tally of a person who makes no slip, on the given fields: the truth is what the interval must hold."""
    rng = np.random.default_rng(seed)
    with path.open("w", encoding="utf-8", newline="") as stream:
        out = csv.writer(stream)
        out.writerow([column.name for column in TALLY])
        for name, carbide in truth.items():
            sha256 = hashlib.sha256((folder / f"{name}.png").read_bytes()).hexdigest()
            seen = person(rng, carbide, points, slips=0)
            for k, (x, y, a) in enumerate(zip(seen.x_px, seen.y_px, seen.answers, strict=True), 1):
                row = ("sheet", "specimen", name, sha256, points, k, x, y, VERDICT[float(a)], "", counter)
                out.writerow(row)
    return path
