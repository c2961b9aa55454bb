"""From answered points to the probability of carbide at every pixel; a taught map as plain text.

The learner is the mean of a few small neural networks of one hidden layer (scikit-learn's, by quasi-Newton steps
from fixed seeds, with a penalty on the weights): on hand-labelled micrographs its maps came as near to the labels as
those of 100 deep trees, it is taught in a tenth of a second, and applied by two products of matrices a strip. What
is taught is plain arrays; applying them needs numpy alone.

The text that keeps it is JSON: numbers and names, no code. It holds its version, the names of the features that it was
taught with, and a SHA-256 over all of it, so that a changed digit is noticed.
"""

from __future__ import annotations

import hashlib
import json
import math
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micro.errors import InputError
from micro.taught.features import NAMES, FeaturePlanes

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

# Networks, hidden units of each, and the penalty α/(2·points)·Σ weights² (chosen by the residual scatter on
# hand-labelled micrographs: 3 or 30 in place of 10 made it larger on one group or the other).
NETWORKS, HIDDEN, PENALTY = 3, 16, 10.0
STEPS = 100
SEED = 20
# Fewest answers, and fewest of either kind, that can teach (chosen; common practice, no source).
FEWEST_ANSWERS, FEWEST_OF_A_KIND = 40, 8
# Pixels that are worked on at once: their features take 16 MiB.
PIXELS_AT_ONCE = 1 << 17
# Probabilities are kept off 0 and 1 by the exponent, which float32 holds.
LARGEST_EXPONENT = 30.0


@dataclass(frozen=True, eq=False)
class TaughtMap:
    """What was taught, as plain arrays.

    Parameters
    ----------
    centre, width
        (features,) float32; a feature enters as (value − centre)/width.
    first, first_bias
        (features, networks·hidden) and (networks·hidden,) float32: to the hidden units, which cut at 0.
    second, second_bias
        (networks, hidden, classes) and (networks, classes) float32: to log odds of each carbide class against matrix.
    taught_centre, taught_whitening, taught_limit
        (features,), (features, features) and a number: squared length of (value − centre)·whitening that 99 % of
        the taught points do not pass.
    points
        Number of answers that taught it.
    """

    centre: Float32Array
    width: Float32Array
    first: Float32Array
    first_bias: Float32Array
    second: Float32Array
    second_bias: Float32Array
    taught_centre: Float32Array
    taught_whitening: Float32Array
    taught_limit: float
    points: int

    @property
    def classes(self) -> int:
        """Number of carbide classes told apart."""
        return int(self.second.shape[2])


def teach(features: Float32Array, answers: FloatArray) -> TaughtMap:
    """Learn the probability of carbide from features and answers.

    Parameters
    ----------
    features
        (points, features) from `FeaturePlanes.at`.
    answers
        (points,) 1 in, ½ boundary, 0 out, or the mean of several counters; (points, classes) share of each class.
        ½ enters as half a point in and half a point out. NaN points do not enter.

    Raises
    ------
    InputError
        Below 40 answers, or fewer than 8 of either kind.

    Examples
    --------
    >>> import numpy as np
    >>> x = np.random.default_rng(1).normal(size=(200, 30)).astype(np.float32)
    >>> taught = teach(x, (x[:, 0] > 0).astype(float))
    >>> bool(np.mean((probability(taught, x.T)[0] > 0.5) == (x[:, 0] > 0)) > 0.95)
    True

    """
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.neural_network import MLPClassifier
    from threadpoolctl import threadpool_limits

    x, kind, weight, share = _rows(features, answers)
    centre, width = _standard(x)
    # One thread: sums in another order would end in other last digits.
    with threadpool_limits(1), warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # it stops early by intent: the penalty does the rest
        nets = [
            MLPClassifier((HIDDEN,), solver="lbfgs", alpha=PENALTY, max_iter=STEPS, random_state=SEED + k).fit(
                ((x - centre) / width).astype(float), kind, sample_weight=weight
            )
            for k in range(NETWORKS)
        ]
        taught_centre, whitening, limit = _extent(features[np.isfinite(share)])
    odds, odds_bias = zip(*(_log_odds(net.coefs_[1], net.intercepts_[1]) for net in nets), strict=True)
    return TaughtMap(
        centre=centre,
        width=width,
        first=np.concatenate([net.coefs_[0] for net in nets], axis=1).astype(np.float32),
        first_bias=np.concatenate([net.intercepts_[0] for net in nets]).astype(np.float32),
        second=np.stack(odds).astype(np.float32),
        second_bias=np.stack(odds_bias).astype(np.float32),
        taught_centre=taught_centre,
        taught_whitening=whitening,
        taught_limit=limit,
        points=int(np.isfinite(share).sum()),
    )


def enough_answers(answers: FloatArray) -> str:
    """Say what is missing for teaching; empty where nothing is.

    >>> enough_answers(np.array([1.0] * 5 + [0.0] * 60))
    'has 5 answers of carbide; 8 of either kind are needed'
    """
    share = _carbide_share(answers)
    share = share[np.isfinite(share)]
    if len(share) < FEWEST_ANSWERS:
        return f"has {len(share)} answers; {FEWEST_ANSWERS} are needed"
    inside, outside = float(share.sum()), float((1 - share).sum())
    if min(inside, outside) < FEWEST_OF_A_KIND:
        number, name = (inside, "carbide") if inside < outside else (outside, "matrix")
        return f"has {number:g} answers of {name}; {FEWEST_OF_A_KIND} of either kind are needed"
    return ""


def probability(taught: TaughtMap, features: Float32Array) -> Float32Array:
    """(classes, pixels) probability of each carbide class, from features (features, pixels)."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        # The standardisation goes into the first product: one pass over the features less.
        first = taught.first / taught.width[:, None]
        hidden = first.T @ features
        hidden += (taught.first_bias - taught.centre @ first)[:, None]
        np.maximum(hidden, 0, out=hidden)
        total = np.zeros((taught.classes, features.shape[1]), np.float32)
        for net, bias, units in zip(
            taught.second, taught.second_bias, np.split(hidden, len(taught.second)), strict=True
        ):
            odds = np.exp(np.clip(net.T @ units + bias[:, None], -LARGEST_EXPONENT, LARGEST_EXPONENT))
            total += odds / (1 + odds.sum(axis=0))
        return np.asarray(total / np.float32(len(taught.second)))


def probability_map(taught: TaughtMap, planes: FeaturePlanes) -> Float32Array:
    """(classes, rows, columns) probability of each carbide class at every pixel of a field."""
    out = np.empty((taught.classes, *planes.shape), np.float32)
    for first, last in strips(planes.shape):
        out[:, first:last] = probability(taught, planes.rows(first, last)).reshape(taught.classes, last - first, -1)
    return out


def outside_taught(taught: TaughtMap, features: Float32Array) -> NDArray[np.bool_]:
    """(points,) whether features (points, features) lie further out than 99 % of the taught points (Mahalanobis)."""
    away = (features - taught.taught_centre) @ taught.taught_whitening
    return np.asarray((away * away).sum(axis=1) > taught.taught_limit)


def strips(shape: tuple[int, int]) -> Iterator[tuple[int, int]]:
    """First row and row after the last of strips of about PIXELS_AT_ONCE."""
    rows = max(1, PIXELS_AT_ONCE // shape[1])
    for first in range(0, shape[0], rows):
        yield first, min(first + rows, shape[0])


def _carbide_share(answers: FloatArray) -> FloatArray:
    table = np.asarray(answers, float)
    return np.asarray(table if table.ndim == 1 else table.sum(axis=1))


def _rows(features: Float32Array, answers: FloatArray) -> tuple[Float32Array, NDArray[np.intp], FloatArray, FloatArray]:
    """Rows for the learner: a point for each kind that it is a share of, with that share as its weight."""
    missing = enough_answers(answers)
    if missing:
        raise InputError("tally", missing, "count more points, or more fields")
    share = _carbide_share(answers)
    table = np.asarray(answers, float).reshape(len(share), -1)
    weights = np.column_stack([1 - share, table])
    point, kind = np.nonzero(np.nan_to_num(weights) > 0)
    absent = sorted(set(range(weights.shape[1])) - set(kind.tolist()))
    if absent:
        raise InputError("tally", f"has no answer of carbide class {absent[0]}", "leave out classes that nobody saw")
    return features[point], kind, weights[point, kind], share


def _standard(x: Float32Array) -> tuple[Float32Array, Float32Array]:
    """Mean and standard deviation of each feature; 1 where a feature does not vary."""
    spread = x.std(axis=0, dtype=float)
    return x.mean(axis=0, dtype=float).astype(np.float32), np.where(spread > 0, spread, 1.0).astype(np.float32)


def _log_odds(weights: FloatArray, bias: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give the outputs as log odds against matrix: two kinds have one output, more have one each, matrix first."""
    return (weights, bias) if weights.shape[1] == 1 else (weights[:, 1:] - weights[:, :1], bias[1:] - bias[0])


def _extent(x: Float32Array) -> tuple[Float32Array, Float32Array, float]:
    """Centre, whitening matrix and the squared length within which 99 % of the taught points lie.

    The length is Mahalanobis' (P. C. Mahalanobis, 1936; from memory). A tenth of each feature's own variance is added,
    so that features that nearly repeat each other do not blow up its smallest differences (chosen).
    """
    centre = x.mean(axis=0, dtype=float)
    covariance = np.cov(x.astype(float), rowvar=False)
    variance = np.diag(covariance)
    covariance = covariance + np.diag(np.where(variance > 0, 0.1 * variance, 1.0))
    whitening = np.linalg.cholesky(np.linalg.inv(covariance))
    length = (((x - centre) @ whitening) ** 2).sum(axis=1)
    return centre.astype(np.float32), whitening.astype(np.float32), float(np.float32(np.quantile(length, 0.99)))


KIND = "micro taught map"
VERSION = 1
# A map of ten classes takes 0.2 MB (measured); what is far longer is something else.
LONGEST_TEXT = 20_000_000
REMEDY = "teach again with --taught-by and keep that map"
# 1 % of the taught points themselves lie outside by definition; ten times that many is another etch (chosen).
OUTSIDE_SHARE = 0.10
# Every so many rows and columns is enough to tell a share of pixels.
STEP = 4


@dataclass(frozen=True)
class StoredMap:
    """A taught map, and what is known of it: text, numbers or lists of them by name, such as the scale."""

    taught: TaughtMap
    about: Mapping[str, Any] = field(default_factory=dict)


def to_text(stored: StoredMap) -> str:
    """Text of a taught map; the same map gives the same text.

    >>> from micro.taught.learner import teach
    >>> x = np.random.default_rng(1).normal(size=(100, len(NAMES))).astype(np.float32)
    >>> map_ = teach(x, (x[:, 0] > 0).astype(float))
    >>> to_text(from_text(to_text(StoredMap(map_)), "map.json")) == to_text(StoredMap(map_))
    True
    """
    values = {f.name: getattr(stored.taught, f.name) for f in fields(TaughtMap)}
    body = {
        "kind": KIND,
        "version": VERSION,
        "features": list(NAMES),
        "about": dict(stored.about),
        "map": {name: _plain(v) if isinstance(v, np.ndarray) else v for name, v in values.items()},
    }
    return json.dumps({**body, "sha256": _digest(body)}, sort_keys=True, indent=None, allow_nan=False) + "\n"


def from_text(text: str, where: object) -> StoredMap:
    """Read a taught map.

    Parameters
    ----------
    text
        From `to_text`.

    Raises
    ------
    InputError
        One line, where the text is not such a map, of another version, of other features, or changed.
    """
    body = _checked_body(text, where)
    given = body["map"]
    if not isinstance(given, dict) or set(given) != {f.name for f in fields(TaughtMap)}:
        raise InputError(where, "does not hold the parts of a taught map", REMEDY)
    try:
        arrays = {name: _number(name, value) for name, value in given.items()}
    except (TypeError, ValueError, OverflowError):
        raise InputError(where, "holds something else than numbers in a taught map", REMEDY) from None
    taught = TaughtMap(**arrays)
    if not _fits(taught):
        raise InputError(where, "holds arrays that do not fit together", REMEDY)
    return StoredMap(taught, body["about"])


def share_outside(taught: TaughtMap, planes: FeaturePlanes, analysed: NDArray[np.bool_] | None = None) -> float:
    """Share of the pixels of a field whose features lie outside what was taught; about 0.01 on the taught fields.

    Parameters
    ----------
    analysed
        (rows, columns) pixels that belong to the analysed area; None for all.
    """
    outside = inside = 0
    for first, last in strips(planes.shape):
        features = planes.rows(first, last).reshape(len(planes.planes), last - first, -1)[:, ::STEP, ::STEP]
        area = np.ones(features.shape[1:], bool) if analysed is None else analysed[first:last:STEP, ::STEP]
        away = outside_taught(taught, features[:, area].T)
        outside, inside = outside + int(away.sum()), inside + len(away)
    return outside / inside if inside else math.nan


def _plain(values: NDArray[np.float32]) -> Any:
    """Nested lists of the shortest decimals that are these float32: no digit without meaning, none that may change."""
    return values.astype(str).astype(float).tolist()


def _digest(body: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True, allow_nan=False).encode()).hexdigest()


def _checked_body(text: str, where: object) -> dict[str, Any]:
    """Parts of the text whose kind, version, features and digest are right."""
    if len(text) > LONGEST_TEXT:
        raise InputError(where, f"is {len(text)} characters long, too long for a taught map", REMEDY)
    try:
        body = json.loads(text)
    except (ValueError, RecursionError):
        raise InputError(where, "is not whole, or not a taught map", REMEDY) from None
    if not isinstance(body, dict) or body.get("kind") != KIND:
        raise InputError(where, "is not a taught map", REMEDY)
    if body.get("version") != VERSION:
        problem = f"is a taught map of version {body.get('version')!r}; this program reads version {VERSION}"
        raise InputError(where, problem, REMEDY)
    digest = body.pop("sha256", None)
    try:
        sound = digest == _digest(body)
    except (ValueError, RecursionError):
        sound = False
    if not sound or set(body) != {"kind", "version", "features", "about", "map"}:
        raise InputError(where, "was changed since it was written", REMEDY)
    if body["features"] != list(NAMES) or not isinstance(body["about"], dict):
        raise InputError(where, "was taught with other features than this program has", REMEDY)
    return body


def _number(name: str, value: object) -> Any:
    """One part of the map in the type that TaughtMap wants."""
    if name == "points":
        return int(value)  # type: ignore[call-overload]
    if name == "taught_limit":
        return float(value)  # type: ignore[arg-type]
    with np.errstate(over="ignore"):  # what is too large becomes infinite, which `_fits` refuses
        return np.array(value, np.float32)


def _fits(taught: TaughtMap) -> bool:
    """Whether shapes agree and every number is finite."""
    values = [np.asarray(getattr(taught, f.name)) for f in fields(TaughtMap)]
    if taught.second.ndim != 3 or not all(np.isfinite(v).all() for v in values) or not (taught.width > 0).all():
        return False
    features, (networks, hidden, classes) = len(NAMES), taught.second.shape
    shapes = {
        "centre": (features,),
        "width": (features,),
        "first": (features, networks * hidden),
        "first_bias": (networks * hidden,),
        "second_bias": (networks, classes),
        "taught_centre": (features,),
        "taught_whitening": (features, features),
    }
    return min(networks, hidden, classes) > 0 and all(getattr(taught, n).shape == s for n, s in shapes.items())
