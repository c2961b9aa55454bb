"""Two groups of coupons at equal hardness: ln toughness on group and hardness (analysis of covariance)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micro.statistics.censored import censored_fit
from micro.statistics.sampling import FloatArray
from micro.statistics.two_samples import ALPHA, Contrast

FEWEST_FREE = 2
"""Coupons beyond the three numbers fitted. Chosen."""
APART = "the hardness ranges do not overlap, so no ratio at equal hardness"
TOO_FEW = "too few coupons with hardness for a ratio at equal hardness"


def at_equal_hardness(
    a: tuple[FloatArray, FloatArray, NDArray[np.bool_]], b: tuple[FloatArray, FloatArray, NDArray[np.bool_]]
) -> tuple[Contrast | None, str]:
    """Return b less a of ln toughness at the same hardness, or None and why there is none.

    ln toughness = level of the group + slope·(hardness - mean), one slope and one scatter for both groups; least
    squares, by largest likelihood where toughness is only known to be more, with n - 3 degrees of freedom (n known).

    Parameters
    ----------
    a, b
        Toughness, hardness, and whether the toughness is only known to be more, each (coupons,); coupons without a
        hardness do not enter.
    """
    known = [np.isfinite(side[1]) for side in (a, b)]
    tough = [side[0][use] for side, use in zip((a, b), known, strict=True)]
    beyond = np.concatenate([side[2][use] for side, use in zip((a, b), known, strict=True)])
    hard = [side[1][use] for side, use in zip((a, b), known, strict=True)]
    if min(map(len, hard)) < 2 or sum(map(len, hard)) < 3 + FEWEST_FREE:
        return None, TOO_FEW if all(map(len, hard)) else ""
    if max(hard[0].min(), hard[1].min()) > min(hard[0].max(), hard[1].max()):
        return None, APART
    within = sum(float(np.sum((h - h.mean()) ** 2)) for h in hard)
    if not within > 0:
        return None, ""  # one hardness for all: the plain ratio is the one at equal hardness
    x, y = np.concatenate(hard), np.log(np.concatenate(tough))
    group = np.repeat([0.0, 1.0], [len(h) for h in hard])
    design = np.column_stack([np.ones(len(x)), group, x - x.mean()])
    fit = censored_fit(design, y, beyond)
    if not fit.degrees_of_freedom >= FEWEST_FREE:
        return None, TOO_FEW
    return Contrast(float(fit.coefficients[1]), math.sqrt(fit.covariance[1, 1]), fit.degrees_of_freedom), ""


def equal_hardness_cells(
    a: tuple[FloatArray, FloatArray, NDArray[np.bool_]], b: tuple[FloatArray, FloatArray, NDArray[np.bool_]]
) -> dict[str, Any]:
    """Cells equal_hardness_ratio, its ends and p value; without a hardness none, and `_why` where it is refused."""
    found, why = at_equal_hardness(a, b)
    if found is None:
        return {"_why": why}
    low, high = found.interval
    return {
        "equal_hardness_ratio": math.exp(found.estimate),
        "equal_hardness_ci95_low": math.exp(low),
        "equal_hardness_ci95_high": math.exp(high),
        "equal_hardness_p_value": found.p_value,
        "_why": "",
    }


def hardness_tells(row: dict[str, Any]) -> bool:
    """Whether a difference that the plain test shows at 5 % is gone at equal hardness, or cannot be told there."""
    return bool(row.get("_why") == APART or row.get("equal_hardness_p_value", 0.0) >= ALPHA)
