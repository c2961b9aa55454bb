"""From fields to specimens: intervals, sizes, unfolding, the largest carbide."""

from micro.specimens.largest import fit_gumbel, gumbel_p_value
from micro.specimens.summary import summarise, uncertainty_budget
from micro.specimens.unfolding import linear_limits, log_limits, unfold
from micro.statistics.lognormal import fit_lognormal, lognormal_ci95

__all__ = [
    "fit_gumbel",
    "fit_lognormal",
    "gumbel_p_value",
    "linear_limits",
    "log_limits",
    "lognormal_ci95",
    "summarise",
    "uncertainty_budget",
    "unfold",
]
