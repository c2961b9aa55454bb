"""A study from pictures to tables: fan out over fields, resume, nothing by halves."""

from micro.batch.across import tell_across
from micro.batch.fields import gather, measure_fields, specimen_scale_uncertainty
from micro.batch.job import PROFILE_COLUMNS, Job, Outcome, library_versions, measure_one

__all__ = [
    "PROFILE_COLUMNS",
    "Job",
    "Outcome",
    "gather",
    "library_versions",
    "measure_fields",
    "measure_one",
    "specimen_scale_uncertainty",
    "tell_across",
]
