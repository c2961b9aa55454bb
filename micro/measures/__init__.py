"""What is measured on a segmented field: carbides, totals, intercepts, bands, and checks of its picture."""

from micro.issues import Trouble
from micro.measures.field_checks import check_field
from micro.measures.particles import measure_particles
from micro.measures.study_checks import check_across
from micro.measures.totals import FieldMeasures, measure_field, rolling_direction

__all__ = [
    "FieldMeasures",
    "Trouble",
    "check_across",
    "check_field",
    "measure_field",
    "measure_particles",
    "rolling_direction",
]
