"""From fields to specimens: intervals, sizes, spheres in space, the largest carbide."""
