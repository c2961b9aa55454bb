"""For workers that measure fields, and draw when these are measured."""

import gc

import pandas as pd  # noqa: F401
import scipy.fft
import scipy.spatial
import scipy.special  # noqa: F401
import tifffile  # noqa: F401

import micro.image
import micro.measures
import micro.pictures
import micro.preload.figures
import micro.report.build
import micro.segmentation  # noqa: F401

gc.freeze()
