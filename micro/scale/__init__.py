"""Micrometres per pixel: from a stage micrometer, a file's tags, or the user."""

from micro.scale.calibration import Calibration, read_calibration, write_calibration
from micro.scale.micrometer import calibrate
from micro.scale.scale import Scale, scale_from_tags

__all__ = ["Calibration", "Scale", "calibrate", "read_calibration", "scale_from_tags", "write_calibration"]
