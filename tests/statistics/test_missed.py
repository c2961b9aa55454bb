"""The share of carbides that is found follows from those found, and from what is found of sizes that are known."""

import numpy as np
import pytest

from micro.statistics.detection import Trials, found_share


def seen(rng, size):
    """Found with a probability that rises from a tenth to nine tenths in half an octave about 1; sizes 8 % wrong."""
    found = rng.random(len(size)) < 1 / (1 + size**-12.0)
    return found, size * np.exp(rng.normal(0.02, 0.08, len(size)))


def study(rng, median, spread, carbides=1500, trials=800):
    """Share found in truth, and what is made of it."""
    size = median * np.exp(rng.normal(0, spread, carbides))
    found, measured = seen(rng, size)
    set_in = np.exp(rng.uniform(np.log(0.4), np.log(3), trials))
    hit, of_hit = seen(rng, set_in)
    told = found_share(measured[found], np.ones(found.sum()), Trials(set_in, hit, np.where(hit, of_hit, np.nan)))
    return found.mean(), told


@pytest.mark.parametrize(("median", "spread"), [(1.8, 0.4), (1.3, 0.4), (1.3, 0.25)])
def test_the_share_is_that_of_the_truth(median, spread):
    """Mean of three studies within 5 % where 9 to 27 of 100 are missed, and the law of the sizes with it."""
    every = [study(np.random.default_rng(k), median, spread) for k in range(3)]
    assert 0.7 < np.mean([true for true, _ in every]) < 0.95
    assert np.mean([np.log(told.share / true) for true, told in every]) == pytest.approx(0, abs=0.05)
    assert np.mean([told.median for _, told in every]) == pytest.approx(median, rel=0.06)


@pytest.mark.study
def test_its_uncertainty_is_its_scatter():
    """Of 25 studies: standard deviation of the logarithm of share over truth, to a third; less is missed, less left."""
    rng = np.random.default_rng(4)
    every = [study(rng, 1.3, 0.4, 400, 300) for _ in range(25)]
    scatter = np.std([np.log(told.share / true) for true, told in every])
    said = np.mean([told.log_uncertainty for _, told in every])
    assert said == pytest.approx(scatter, rel=0.33)
    assert study(rng, 2.2, 0.4, 400, 300)[1].log_uncertainty < said / 2


def test_what_cannot_be_seen_is_unknown():
    """Most of the law below the limit, few carbides, or nothing missed of those set in: no share."""
    rng = np.random.default_rng(5)
    assert study(rng, 0.6, 0.3)[1] is None
    assert study(rng, 1.3, 0.4, carbides=20)[1] is None
    every = Trials(np.ones(50), np.ones(50, bool), np.ones(50))
    assert found_share(np.ones(50), np.ones(50), every) is None
