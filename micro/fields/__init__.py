"""One row a field and class: totals, intercepts, banding, neighbours."""

from micro.fields.measure import FieldMeasures, measure_field, rolling_direction

__all__ = ["FieldMeasures", "measure_field", "rolling_direction"]
