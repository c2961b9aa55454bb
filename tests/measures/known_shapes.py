"""Carbides of known shape: drawn by hand as label pictures, or photographed."""

import numpy as np

from micro.measures.particles import measure_particles
from micro.phantom.picture import Optics, photograph
from micro.phantom.shapes import cover, shapes
from micro.segmentation.stages import segment


def numbered(labels):
    """Give a label picture with some matrix in it the numbers 1, 2, ... without a gap."""
    return np.unique(labels, return_inverse=True)[1].reshape(labels.shape).astype(np.int32)


def disc(radius, centre=(50.3, 49.8), shape=(100, 110)):
    """Label picture of one disc by pixel centres."""
    y, x = np.mgrid[: shape[0], : shape[1]] + 0.5
    return (np.hypot(x - centre[0], y - centre[1]) <= radius).astype(np.int32)


def ellipse(a, b, angle_deg, shape=(120, 150)):
    """Label picture of one ellipse with semi-axes a, b, its long axis counter-clockwise from the horizontal."""
    y, x = np.mgrid[: shape[0], : shape[1]] + 0.5
    x, y = x - shape[1] / 2 - 0.2, -(y - shape[0] / 2 + 0.3)
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return (((x * c + y * s) / a) ** 2 + ((y * c - x * s) / b) ** 2 <= 1).astype(np.int32)


def photographed(ecd, aspect, angle_deg, noise, blur=0.8, gap_px=10):
    """Ellipses alike, at random places within their pixels, photographed: how many, and the carbides measured."""
    rng = np.random.default_rng(7)
    pitch = ecd * np.sqrt(aspect) + gap_px
    x, y = np.meshgrid(np.arange(pitch, 400 - pitch, pitch), np.arange(pitch, 300 - pitch, pitch))
    x, y = (v.ravel() + rng.uniform(-0.5, 0.5, v.size) for v in (x, y))
    drawn = shapes(np.full(x.size, float(ecd)), rng, aspect=aspect, angle_deg=angle_deg).moved(x, y)
    grey = photograph(cover(drawn, (300, 400)), Optics(blur_px=blur, noise=noise), rng)
    return x.size, measure_particles(segment(grey), grey, 0.0)
