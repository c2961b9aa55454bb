"""One row a field and class: totals, intercepts, banding, neighbours."""
