"""Many bars over many studies: one row a bar, what was measured unlike, series, ranks, and the page."""
