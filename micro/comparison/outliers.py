"""Values that lie too far out for a normal sample."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from micro.comparison.two_samples import ALPHA


@dataclass(frozen=True)
class Deviate:
    """One step of the test: the value furthest out, its distance in standard deviations, and the critical one."""

    index: int
    distance: float
    critical: float


def extreme_deviates(values: ArrayLike, most: int) -> list[Deviate]:
    """Test a sample by generalised extreme studentised deviates (B. Rosner 1983); one step is Grubbs' test.

    Parameters
    ----------
    values
        (n,) a sample; three values or more, else there is no step.
    most
        Most outliers to look for.

    Returns
    -------
    One step for each value taken out in turn.
    """
    from scipy import special

    values = np.asarray(values, float)
    left = np.arange(len(values))
    steps: list[Deviate] = []
    while len(left) >= 3 and len(steps) < most:
        sample = values[left]
        spread = sample.std(ddof=1)
        if not spread > 0:
            break
        distance = np.abs(sample - sample.mean()) / spread
        furthest = int(distance.argmax())
        n = len(left)
        t = float(special.stdtrit(n - 2, 1 - ALPHA / (2 * n)))
        critical = (n - 1) * t / math.sqrt((n - 2 + t * t) * n)
        steps.append(Deviate(int(left[furthest]), float(distance[furthest]), critical))
        left = np.delete(left, furthest)
    return steps


def outliers(values: ArrayLike, most: int | None = None) -> list[Deviate]:
    """Outliers at the 5 % level: every step up to the last that exceeds its critical distance.

    Parameters
    ----------
    values
        (n,) a sample.
    most
        Most outliers to look for; None: a tenth of the values, at least one.
    """
    steps = extreme_deviates(values, max(1, len(np.asarray(values)) // 10) if most is None else most)
    beyond = [number for number, step in enumerate(steps, 1) if step.distance > step.critical]
    return steps[: max(beyond, default=0)]
