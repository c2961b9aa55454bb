"""Statistics without a field: sampling, two groups, laws."""
