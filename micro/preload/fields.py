"""For workers that measure fields."""

import gc

import pandas as pd  # noqa: F401
import scipy.fft
import scipy.special  # noqa: F401
import tifffile  # noqa: F401

import micro.batch.frames
import micro.batch.job
import micro.field
import micro.pictures.outlines  # noqa: F401
from micro.measures.neighbours import kind_of_tree

kind_of_tree()
gc.freeze()
