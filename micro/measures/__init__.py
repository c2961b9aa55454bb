"""What is measured on a segmented field: carbides, totals, intercepts, bands, and checks of its picture."""
