"""Many fields: one job a field, on many cores or a cluster, resumed by hashes, nothing by halves."""

from micro.batch.fields import gather, measure_fields, specimen_scale_uncertainty, tell_across
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
