"""From fields to specimens: intervals, sizes, unfolding, the largest carbide."""
