"""One row a carbide: area by integrated contrast, shape, edge correction."""
