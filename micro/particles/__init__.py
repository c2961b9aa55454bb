"""One row a carbide: area by integrated contrast, shape, edge correction."""

from micro.particles.table import measure_particles

__all__ = ["measure_particles"]
