"""The learner finds what is there, knows its odds, and gives the same bytes each time."""

import warnings

import numpy as np
import pytest
from invented import hard_etch, person

from micro.errors import InputError
from micro.taught.features import NAMES, feature_planes
from micro.taught.learner import (
    TaughtMap,
    enough_answers,
    outside_taught,
    probability,
    probability_map,
    teach,
)  # fmt: skip


def made(rng, points=400):
    return rng.normal(size=(points, len(NAMES))).astype(np.float32)


@pytest.fixture(scope="module")
def field():
    rng = np.random.default_rng(8)
    grey, carbide = hard_etch(rng)
    return feature_planes(grey), carbide, person(rng, carbide, 300)


def test_it_learns_what_no_threshold_reads(field):
    """Nine of ten pixels, where the best grey threshold tells far fewer; answers have slips and boundaries."""
    planes, carbide, counted = field
    found = probability_map(teach(planes.at(counted.x_px, counted.y_px), counted.answers), planes)
    assert ((found[0] > 0.5) == carbide).mean() > 0.88
    assert found.shape == (1, *carbide.shape)


def test_arrays_say_what_scikit_learns_networks_say():
    """Applying plain arrays is scikit-learn's own predict_proba, averaged over the same networks."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.neural_network import MLPClassifier

    from micro.taught import learner

    rng = np.random.default_rng(2)
    x, y = made(rng), rng.random(400) < 0.4
    taught = teach(x, y.astype(float))
    z = (x.astype(float) - x.mean(axis=0, dtype=float)) / x.std(axis=0, dtype=float)
    settings = {"solver": "lbfgs", "alpha": learner.PENALTY, "max_iter": learner.STEPS}
    nets = [MLPClassifier((learner.HIDDEN,), random_state=learner.SEED + k, **settings) for k in range(3)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        outside = np.mean([net.fit(z, y).predict_proba(z)[:, 1] for net in nets], axis=0)
    # Features are standardised in float32 by the one and in double by the other: the steps part a little.
    assert np.corrcoef(probability(taught, x.T)[0], outside)[0, 1] > 0.99


def test_answers_without_meaning_give_the_share_everywhere():
    """Of pure noise little can be learnt: the mean probability is the share of carbide."""
    rng = np.random.default_rng(4)
    x = made(rng, 2000)
    taught = teach(x, (rng.random(2000) < 0.2).astype(float))
    np.testing.assert_allclose(probability(taught, made(rng, 2000).T).mean(), 0.2, atol=0.03)


def test_a_boundary_answer_is_half_a_point_each_way():
    rng = np.random.default_rng(6)
    x = made(rng)
    y = np.where(np.abs(x[:, 0]) < 0.3, 0.5, x[:, 0] > 0)
    split = np.concatenate([np.ceil(y), np.floor(y)])
    once = probability(teach(x, y), x.T)
    twice = probability(teach(np.concatenate([x, x]), split), x.T)
    assert np.corrcoef(once.ravel(), twice.ravel())[0, 1] > 0.99


def test_classes_are_told_apart():
    """Two carbide classes by two features; all probabilities stay below 1 together."""
    rng = np.random.default_rng(7)
    x = made(rng, 800)
    kind = np.where(x[:, 0] > 0.5, 1, np.where(x[:, 1] > 0.5, 2, 0))
    taught = teach(x, np.eye(3)[kind][:, 1:])
    found = probability(taught, x.T)
    assert taught.classes == 2
    assert (found.sum(axis=0) <= 1 + 1e-6).all()
    assert (np.where(found.sum(axis=0) > 0.5, found.argmax(axis=0) + 1, 0) == kind).mean() > 0.9


def test_the_same_bytes_each_time_and_for_any_threads(field):
    from threadpoolctl import threadpool_limits

    planes, _, counted = field
    x = planes.at(counted.x_px, counted.y_px)
    maps = []
    for threads in (1, 2):
        with threadpool_limits(threads):
            maps.append(probability_map(teach(x, counted.answers), planes).tobytes())
    assert maps[0] == maps[1]


def test_features_far_from_what_was_taught_are_noticed():
    """1 % of the taught points by definition, all points of another kind."""
    rng = np.random.default_rng(9)
    x = made(rng, 1000)
    taught = teach(x, (x[:, 0] > 0).astype(float))
    assert outside_taught(taught, x).mean() == pytest.approx(0.01, abs=0.002)
    assert outside_taught(taught, made(rng, 1000)).mean() < 0.05
    assert outside_taught(taught, x + 5).all()


def test_a_feature_that_never_varies_does_no_harm():
    rng = np.random.default_rng(10)
    x = made(rng)
    x[:, 3] = 2.0
    assert np.isfinite(probability(teach(x, (x[:, 0] > 0).astype(float)), x.T)).all()


def test_points_without_an_answer_do_not_enter():
    rng = np.random.default_rng(11)
    x = made(rng)
    y = (x[:, 0] > 0).astype(float)
    y[300:] = np.nan
    taught, without = teach(x, y), teach(x[:300], y[:300])
    assert isinstance(taught, TaughtMap)
    assert taught.points == 300
    assert (taught.first == without.first).all()


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (np.ones(39), "has 39 answers; 40 are needed"),
        (np.zeros(60), "has 0 answers of carbide; 8 of either kind are needed"),
        (np.r_[np.ones(60), np.zeros(7)], "has 7 answers of matrix"),
        (np.r_[np.full(15, 0.5), np.zeros(60)], "has 7.5 answers of carbide"),
    ],
)
def test_too_few_answers_are_refused(answers, said):
    assert said in enough_answers(answers)
    with pytest.raises(InputError, match=said):
        teach(made(np.random.default_rng(1), len(answers)), answers)


def test_a_class_that_nobody_saw_is_refused():
    rng = np.random.default_rng(1)
    shares = np.column_stack([rng.random(100) < 0.5, np.zeros(100)]).astype(float)
    with pytest.raises(InputError, match="no answer of carbide class 2"):
        teach(made(rng, 100), shares)
