"""Two groups of values, or shares of them: tests, intervals and values that lie far from their group."""

from __future__ import annotations

import bisect
import functools
import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from micro.statistics.sampling import NORMAL_95, FloatArray, student_t

ALPHA = 0.05
POWER = 0.8
EXACT_SPLITS = 20_000
RANDOM_SPLITS = 9_999
MOST_COUPONS = 100_000
CELLS_AT_ONCE = 2**22
"""Exchanges times fields in memory at once, 32 MiB as numbers (chosen)."""


@dataclass(frozen=True)
class Contrast:
    """Difference b - a of two means, on the scale it was taken; degrees of freedom are Welch and Satterthwaite's."""

    estimate: float
    standard_error: float
    degrees_of_freedom: float

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval; NaN where the samples show no scatter to judge by."""
        if not self.standard_error > 0:
            return math.nan, math.nan
        half = student_t(self.degrees_of_freedom) * self.standard_error
        return self.estimate - half, self.estimate + half

    @property
    def p_value(self) -> float:
        """Two-sided p value of no difference; NaN where the samples show no scatter to judge by."""
        from scipy import special

        if not self.standard_error > 0:
            return math.nan
        return float(2 * special.stdtr(self.degrees_of_freedom, -abs(self.estimate) / self.standard_error))

    def detectable(self, alpha: float = ALPHA) -> float:
        """Smallest true difference that such samples show with a power of 80 % at a level, by default 5 %."""
        if not self.standard_error > 0:
            return math.nan
        return self.standard_error * _detectable_shift(self.degrees_of_freedom, alpha)


def contrast(estimate: float, variances: Sequence[float], degrees_of_freedom: Sequence[float]) -> Contrast:
    """Join the independent variances of an estimate (F. E. Satterthwaite 1946)."""
    total = math.fsum(variances)
    if not total > 0:
        return Contrast(estimate, 0.0, math.nan)
    below = sum(v * v / df for v, df in zip(variances, degrees_of_freedom, strict=True))
    return Contrast(estimate, math.sqrt(total), total * total / below if below > 0 else math.inf)


def welch(a: ArrayLike, b: ArrayLike) -> Contrast:
    """Difference of the means b - a without assuming equal scatter (B. L. Welch 1947, F. E. Satterthwaite 1946).

    Parameters
    ----------
    a, b
        (n,) the samples, two values or more each.
    """
    a, b = np.asarray(a, float), np.asarray(b, float)
    variances = [float(x.var(ddof=1)) / len(x) for x in (a, b)]
    return contrast(float(b.mean() - a.mean()), variances, [len(a) - 1.0, len(b) - 1.0])


def fieller(a: ArrayLike, b: ArrayLike) -> tuple[float, float]:
    """95 % interval of the ratio of arithmetic means b/a (E. C. Fieller 1954, for unequal scatter).

    The interval holds the ratios r for which Welch's test does not tell b from r·a at the 5 % level.

    Parameters
    ----------
    a, b
        (n,) the samples; their means are above 0.

    Returns
    -------
    Lower and upper end; 0 or infinity where the samples do not bound the ratio on that side.
    """
    from scipy import optimize

    a, b = np.asarray(a, float), np.asarray(b, float)
    centre = math.log(b.mean() / a.mean())

    def excess(shift: float) -> float:
        p = welch(a * math.exp(centre + shift), b).p_value
        return -ALPHA if math.isnan(p) else p - ALPHA

    if not (a.std() > 0 or b.std() > 0):
        return math.nan, math.nan
    ends = []
    for side in (-1, 1):
        reach = next((side * 2.0**k for k in range(-20, 6) if excess(side * 2.0**k) < 0), None)
        if reach is None:
            ends.append(0.0 if side < 0 else math.inf)
        else:
            ends.append(math.exp(centre + optimize.brentq(excess, 0.0, reach, xtol=1e-12)))
    return ends[0], ends[1]


def number_of_exchanges(n_a: int, n_b: int) -> int:
    """All that there are where they are no more than 20 000, else the true one and 9 999 drawn."""
    every = math.comb(n_a + n_b, n_a)
    return every if every <= EXACT_SPLITS else 1 + RANDOM_SPLITS


def exchanges(n_a: int, n_b: int) -> Iterator[NDArray[np.bool_]]:
    """Parts (exchanges, n_a + n_b), in memory one at a time: which fields fall to a, the true ones first of all.

    As many as `number_of_exchanges`; those that are drawn have a fixed seed.
    """
    bits = _exchange_bits(n_a, n_b)
    for part in np.array_split(bits, -(-len(bits) * (n_a + n_b) // CELLS_AT_ONCE)):
        yield np.unpackbits(part, axis=1, count=n_a + n_b).view(bool)


@functools.lru_cache(maxsize=16)
def _exchange_bits(n_a: int, n_b: int) -> NDArray[np.uint8]:
    """(exchanges, bytes) those of `exchanges`, a bit a field: ten thousand fields take 12 MB, not 100."""
    n, many = n_a + n_b, number_of_exchanges(n_a, n_b)
    if many != 1 + RANDOM_SPLITS:
        return _bits(np.array(list(itertools.combinations(range(n), n_a))), n)
    rng, found = np.random.default_rng(0), [_bits(np.arange(n_a)[None], n)]
    for part in np.array_split(np.arange(RANDOM_SPLITS), -(-RANDOM_SPLITS * n // CELLS_AT_ONCE)):
        found.append(_bits(rng.permuted(np.tile(np.arange(n), (len(part), 1)), axis=1)[:, :n_a], n))
    return np.concatenate(found)


def _bits(chosen: NDArray[np.intp], n: int) -> NDArray[np.uint8]:
    """(exchanges, bytes) where each of the numbers `chosen` (exchanges, n_a) of n has its bit."""
    in_a = np.zeros((len(chosen), n), bool)
    np.put_along_axis(in_a, chosen, True, axis=1)
    return np.packbits(in_a, axis=1)


def holm(p_values: ArrayLike) -> FloatArray:
    """P values adjusted for their number (S. Holm 1979); NaN values were not tested and do not count."""
    p = np.asarray(p_values, float)
    adjusted = np.full(p.shape, np.nan)
    order = np.argsort(p, kind="stable")[: np.isfinite(p).sum()]
    steps = p[order] * np.arange(len(order), 0, -1)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0) if len(order) else steps
    return adjusted


def power(shift: float, degrees_of_freedom: float, alpha: float = ALPHA) -> float:
    """Chance that a two-sided t test, by default at the 5 % level, shows a difference of `shift` standard errors."""
    from scipy import special

    if math.isinf(degrees_of_freedom) or degrees_of_freedom > 1e6:
        z = float(special.ndtri(1 - alpha / 2))
        return float(special.ndtr(shift - z) + special.ndtr(-shift - z))
    t = float(special.stdtrit(degrees_of_freedom, 1 - alpha / 2))
    # SciPy's noncentral t loses the far lower tail when the shift is large; there the tail is 0.
    lower = float(special.nctdtr(degrees_of_freedom, shift, -t)) if abs(shift) < 5 else 0.0
    upper = float(special.nctdtr(degrees_of_freedom, shift, t))
    return (1.0 if math.isnan(upper) else 1 - upper) + (0.0 if math.isnan(lower) else lower)


def _detectable_shift(degrees_of_freedom: float, alpha: float) -> float:
    from scipy import optimize

    highest = 4.0
    while power(highest, degrees_of_freedom, alpha) < POWER:
        highest *= 2
    return float(optimize.brentq(lambda shift: power(shift, degrees_of_freedom, alpha) - POWER, 0.0, highest))


def sample_size(shift: float, std_a: float, std_b: float) -> int | None:
    """Values needed in each of two samples to show a shift of the mean with a power of 80 % at the 5 % level.

    Returns
    -------
    Two or more; None where 100 000 do not suffice, or where the scatter is unknown.
    """
    variance = std_a**2 + std_b**2
    if not (variance > 0 and shift != 0 and math.isfinite(shift)):
        return None

    def enough(n: int) -> bool:
        df = (n - 1) * variance**2 / (std_a**4 + std_b**4)
        return power(abs(shift) / math.sqrt(variance / n), df) >= POWER

    wanted = 2 + bisect.bisect_left(range(2, MOST_COUPONS + 1), True, key=enough)
    return wanted if wanted <= MOST_COUPONS else None


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


def outliers(values: ArrayLike) -> list[Deviate]:
    """Outliers at the 5 % level: every step up to the last that exceeds its critical distance.

    Looked for are a tenth of the values (n,) at most, and at least one.
    """
    steps = extreme_deviates(values, max(1, len(np.asarray(values)) // 10))
    beyond = [number for number, step in enumerate(steps, 1) if step.distance > step.critical]
    return steps[: max(beyond, default=0)]


def wilson(count: int, fields: int) -> tuple[float, float]:
    """95 % interval of a share (E. B. Wilson 1927)."""
    z2 = NORMAL_95**2
    middle = (count + z2 / 2) / (fields + z2)
    half = NORMAL_95 * math.sqrt(count * (fields - count) / fields + z2 / 4) / (fields + z2)
    return middle - half, middle + half


def share_difference(a: tuple[int, int], b: tuple[int, int]) -> tuple[float, float, float, float]:
    """Share of b less that of a, ends of its 95 % interval, and p value of no difference.

    Interval from Wilson's of both (R. G. Newcombe 1998, method 10); p value by counting all tables with the same totals
    (R. A. Fisher).

    Parameters
    ----------
    a, b
        Fields that show it, and fields in all, one or more each.
    """
    (low_a, high_a), (low_b, high_b) = wilson(*a), wilson(*b)
    share_a, share_b = a[0] / a[1], b[0] / b[1]
    gap = share_b - share_a
    low = gap - math.hypot(share_b - low_b, high_a - share_a)
    high = gap + math.hypot(high_b - share_b, share_a - low_a)
    return gap, low, high, fisher_p_value(a, b)


def fisher_p_value(a: tuple[int, int], b: tuple[int, int]) -> float:
    """Chance of a table no likelier than this one, its totals given (R. A. Fisher).

    In place of `scipy.stats`, which takes longer to load than a field to measure.
    """
    shown = a[0] + b[0]
    count = np.arange(max(0, shown - b[1]), min(a[1], shown) + 1)
    chosen = _ways(count, a[1]) + _ways(shown - count, b[1])
    chance = np.exp(chosen.min() - chosen)
    # Tables as likely as this one may come out a rounding apart.
    no_likelier = chance <= chance[a[0] - count[0]] * (1 + 1e-7)
    return float(chance[no_likelier].sum() / chance.sum())


def _ways(chosen: np.ndarray, of: int) -> np.ndarray:
    """Log of how many ways there are to choose so many out of `of`, negative, less what all choices share."""
    from scipy.special import gammaln

    return gammaln(chosen + 1) + gammaln(of - chosen + 1)
