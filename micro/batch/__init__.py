"""Many fields: one job a field, on many cores or a cluster, resumed by hashes, nothing by halves."""
