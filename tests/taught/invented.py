"""Invented fields with a known answer, and a person who answers points on them."""

import numpy as np

from micro.taught.crossfit import Answers


def hard_etch(rng, side=96, share=0.3, strength=1.0):
    """(grey, carbide): blots of carbide whose grey differs less from the matrix than the matrix does from itself."""
    import cv2

    def smooth(scale):
        plane = cv2.GaussianBlur(rng.normal(size=(side, side)).astype(np.float32), (0, 0), scale)
        return plane / plane.std()

    blots = smooth(4)
    carbide = blots > np.quantile(blots, 1 - share)
    # Carbide is smooth, matrix is grainy: the eye tells them apart, a threshold does not.
    grey = 100 + 8 * smooth(12) + 12 * np.where(carbide, 0.2 * smooth(1), smooth(1)) + 6 * strength * carbide
    return (grey + rng.normal(0, 1, grey.shape)).astype(np.float32), carbide


def person(rng, carbide, points=60, slips=0.02):
    """Answers at random points of a field: now and then a slip, and ½ where a neighbour differs."""
    rows, columns = carbide.shape
    x, y = rng.uniform(0, columns, points), rng.uniform(0, rows, points)
    row, column = y.astype(int), x.astype(int)
    answers = carbide[row, column].astype(float)
    padded = np.pad(carbide, 1, mode="edge")
    around = np.stack([padded[row + dy, column + dx] for dy in range(3) for dx in range(3)])
    slipped = rng.random(points) < slips
    answers = np.where(slipped, 1 - answers, np.where(around.all(axis=0) == around.any(axis=0), answers, 0.5))
    return Answers(x, y, answers)
