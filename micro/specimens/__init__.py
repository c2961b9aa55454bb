"""From fields to specimens: intervals, sizes, unfolding, the largest carbide."""

from micro.specimens.summary import summarise, uncertainty_budget

__all__ = ["summarise", "uncertainty_budget"]
