"""Loads what every worker needs, once, in the process that workers are forked from."""

import cv2  # noqa: F401
import pandas as pd  # noqa: F401
import tifffile  # noqa: F401

import micro.fields
import micro.micrograph
import micro.particles
import micro.pictures
import micro.segmentation  # noqa: F401
