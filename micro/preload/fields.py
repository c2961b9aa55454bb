"""For workers that measure fields."""

import gc

import pandas as pd  # noqa: F401
import scipy.spatial
import scipy.special  # noqa: F401
import tifffile  # noqa: F401

import micro.batch.frames
import micro.batch.job
import micro.field
import micro.pictures.outlines  # noqa: F401

gc.freeze()
