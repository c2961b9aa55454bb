"""Every answer is met by a map that has not seen it.

With two fields or more, the fields are dealt into folds, and the map of a field is taught on the fields of the other
folds: what is particular to a field, its etch, its light, its counter's mood, cannot leak into the map that it is
judged by. With one field, its points are dealt into folds. More than FOLDS fields share their map with others of
their fold: a map taught on nine tenths of the fields is as good as one taught on all but one, and the time no longer
grows with the square of the number of fields.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.errors import InputError
from micro.taught.corrected import CountedField
from micro.taught.features import FeaturePlanes, pixels_of
from micro.taught.learner import TaughtMap, enough_answers, probability, probability_map, strips, teach

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

# Most folds of fields, and folds of the points of one field, whose maps are all applied to it (common practice, no
# source): one field of 100 points teaches on 80 of them.
FOLDS, POINT_FOLDS = 10, 5
SEED = 21
# At most every so many rows and columns enter the mean of a fold's map, which nobody sees: as many as leave these
# pixels, whose scatter is then far below that of the answers (chosen).
LARGEST_STEP, ENOUGH_PX = 4, 40_000


@dataclass(frozen=True, eq=False)
class Answers:
    """Answered points of one field.

    Parameters
    ----------
    x_px, y_px
        (points,) distance from the left and from the upper edge; a pixel's centre at +0.5.
    answers
        (points,) or (counters, points): 1 in, ½ boundary, 0 out; NaN where not judged.
    carbide_class
        (points,) number of the class from 1, for points not out; None where classes were not counted.
    weights, draw
        As in `micro.taught.corrected.CountedField`.
    """

    x_px: FloatArray
    y_px: FloatArray
    answers: FloatArray
    carbide_class: NDArray[np.intp] | None = None
    weights: FloatArray | None = None
    draw: NDArray[np.intp] | None = None

    @property
    def score(self) -> FloatArray:
        """(points,) mean of the counters."""
        return CountedField(self.answers, self.x_px, 0.0).score

    @property
    def even(self) -> NDArray[np.bool_]:
        """(points,) points of an even draw."""
        return CountedField(self.answers, self.x_px, 0.0, self.weights).even

    def shares(self, classes: int) -> FloatArray:
        """(points, classes) share of each class in the mean of the counters."""
        score = self.score[:, None]
        if self.carbide_class is None:
            return score
        return np.asarray(score * (self.carbide_class[:, None] == np.arange(1, classes + 1)))


@dataclass(frozen=True, eq=False)
class FieldMaps:
    """What the cross-fit gives for one field.

    Parameters
    ----------
    probability
        (classes, rows, columns) float32 map of the field; with folds of points that of all points, which has seen
        their answers and is for outlines: `at_points` is what the folds' maps say.
    at_points
        (classes, points) map at the points, by maps that have not seen their answers.
    means
        (classes, points) mean over all analysed pixels of the map that met each point.
    """

    probability: Float32Array
    at_points: FloatArray
    means: FloatArray


def counted_field(answers: Answers, at_points: FloatArray, means: FloatArray, carbide_class: int = 0) -> CountedField:
    """Field for the estimator; carbide_class 0 is all classes together, else numbers from 1.

    Parameters
    ----------
    at_points, means
        (classes, points) as in `FieldMaps`.
    """
    if carbide_class == 0:
        return CountedField(answers.answers, at_points.sum(axis=0), means.sum(axis=0), answers.weights, answers.draw)
    own = np.ones(1, bool) if answers.carbide_class is None else answers.carbide_class == carbide_class
    given = np.where(np.isnan(answers.answers), math.nan, answers.answers * own)
    k = carbide_class - 1
    return CountedField(given, at_points[k], means[k], answers.weights, answers.draw)


def deal(number: int, folds: int = FOLDS) -> NDArray[np.intp]:
    """Deal `number` fields or points into folds of like size, at random from a fixed seed; (number,) folds.

    >>> np.bincount(deal(25)).tolist()
    [3, 3, 3, 3, 3, 2, 2, 2, 2, 2]
    """
    return np.random.default_rng(SEED).permutation(number) % min(folds, number)


def classes_of(counted: Sequence[Answers]) -> int:
    """Count the carbide classes that were told apart; 1 where none were."""
    return max((int(a.carbide_class.max(initial=1)) for a in counted if a.carbide_class is not None), default=1)


def cross_taught(features: Sequence[Float32Array], counted: Sequence[Answers]) -> tuple[TaughtMap, ...]:
    """Teach a map for each of some fields, on the fields of other folds only.

    Parameters
    ----------
    features
        (points, features) of each field, from `FeaturePlanes.at`.
    counted
        Answers of each field; two fields or more.

    Raises
    ------
    InputError
        Where the fields of the other folds hold too few answers.
    """
    fold, classes = deal(len(counted)), classes_of(counted)
    maps = {}
    for left_out in range(int(fold.max()) + 1):
        others = np.flatnonzero(fold != left_out).tolist()
        shares = np.concatenate([counted[i].shares(classes) for i in others])
        maps[left_out] = teach(np.concatenate([features[i] for i in others]), shares)
    return tuple(maps[k] for k in fold.tolist())


def apply_to_field(
    taught: TaughtMap, planes: FeaturePlanes, counted: Answers, analysed: NDArray[np.bool_] | None = None
) -> FieldMaps:
    """Map of one field by a map taught elsewhere, and what it says at the field's points.

    Parameters
    ----------
    analysed
        (rows, columns) pixels that belong to the analysed area; None for all.
    """
    probability = probability_map(taught, planes)
    row, column = pixels_of(counted.x_px, counted.y_px, planes.shape)
    means = np.repeat(_means(probability, analysed)[:, None], len(row), axis=1)
    return FieldMaps(probability, probability[:, row, column].astype(float), means)


def one_field(planes: FeaturePlanes, counted: Answers, analysed: NDArray[np.bool_] | None = None) -> FieldMaps:
    """Map a single field by folds of its own points.

    A point is as random a pixel for the map of its fold as for any other map, so that map's mean over all pixels
    plus the mean difference at its points is right for the field however near its points lie to those that taught.

    Raises
    ------
    InputError
        Where the field holds too few answers: a tenth more than `teach` needs.
    """
    features, shares = planes.at(counted.x_px, counted.y_px), counted.shares(classes_of([counted]))
    fold = deal(len(features), POINT_FOLDS)
    whole = teach(features, shares)
    folds = [teach(features[fold != k], shares[fold != k]) for k in range(int(fold.max()) + 1)]
    at = np.empty(shares.T.shape)
    for k, taught in enumerate(folds):
        at[:, fold == k] = probability(taught, features[fold == k].T)
    map_, means = _map_and_means(whole, folds, planes, analysed)
    return FieldMaps(map_, at, means[fold].T)


def _map_and_means(
    whole: TaughtMap, folds: Sequence[TaughtMap], planes: FeaturePlanes, analysed: NDArray[np.bool_] | None
) -> tuple[Float32Array, FloatArray]:
    """Map by all points, and (folds, classes) means of the folds' maps, in one pass over the features.

    The means of a wide field are over every LARGEST_STEP-th row and column, those of a small one over more.
    """
    out = np.empty((whole.classes, *planes.shape), np.float32)
    area = np.ones(planes.shape, bool) if analysed is None else analysed
    sums, pixels = np.zeros((len(folds), whole.classes)), 0
    step = int(np.clip(math.sqrt(planes.shape[0] * planes.shape[1] / ENOUGH_PX), 1, LARGEST_STEP))
    for first, last in strips(planes.shape):
        features = planes.rows(first, last)
        out[:, first:last] = probability(whole, features).reshape(whole.classes, last - first, -1)
        every = np.zeros((last - first, planes.shape[1]), bool)
        every[-first % step :: step, ::step] = True
        some = features[:, (every & area[first:last]).ravel()]
        sums += [probability(taught, some).sum(axis=1, dtype=float) for taught in folds]
        pixels += some.shape[1]
    return out, sums / max(pixels, 1)


def check_answers(counted: Sequence[Answers], source: str) -> None:
    """Refuse a tally that cannot teach, in one line.

    Raises
    ------
    InputError
        Fewer than 40 answers at points of an even draw, or fewer than 8 of either kind.
    """
    missing = enough_answers(np.concatenate([a.score[a.even] for a in counted] or [np.empty(0)]))
    if missing and not all(a.even.all() for a in counted):
        remedy = "give the tally of the first sheet beside it"
        raise InputError(source, f"{missing}, and points drawn where a map was unsure are not among these", remedy)
    if missing:
        raise InputError(source, missing, "count more points, or leave taught_by out")


def _means(probability: Float32Array, analysed: NDArray[np.bool_] | None) -> FloatArray:
    if analysed is None:
        return np.asarray(probability.mean(axis=(1, 2), dtype=float))
    return np.asarray(probability[:, analysed].mean(axis=1, dtype=float))
