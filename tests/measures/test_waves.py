"""The waves that bands are looked for with, beside sums written out term by term."""

from types import SimpleNamespace

import numpy as np
import pytest

from micro.measures.banding import (
    BIN_PX,
    CELL_PX,
    LEAN,
    STRIPS,
    Frame,
    Waves,
    banding,
    chance_of,
    profile,
)
from micro.measures.spectrum import ENOUGH_WAVES, Regularity, regularity

SHAPE = (400, 520)


def frame_of(rolling, excluded=None):
    return Frame.of(np.zeros(SHAPE, bool) if excluded is None else excluded, rolling)


def points(count=300, seed=1):
    rng = np.random.default_rng(seed)
    return rng.uniform(0, SHAPE[1], count), rng.uniform(0, SHAPE[0], count), rng.lognormal(3.5, 0.5, count)


@pytest.mark.parametrize("rolling", [0.0, 30.0, 90.0])
def test_upright_and_leaning_waves_are_their_sums(rolling):
    """Σ w·exp(-2πi·(f·u ± v/P)): upright without v, leaning by half a cycle over the length of the field either way.

    Points are binned to 2 px across and a 16th of the length along: a turn by 2π·f·1 px and π/16 at most.
    """
    frame = frame_of(rolling)
    x, y, area = points()
    waves, weight = Waves.of(frame, len(area), area), np.sqrt(area)
    u, v = frame.turn(x, y)
    got = waves.transform(u[None], v[None], weight)[0]
    along = np.ptp(frame.v) + 2 * CELL_PX
    assert waves.period * LEAN + 2 * CELL_PX == pytest.approx(along, rel=1e-6)
    place = waves.first[0] + np.round((u - waves.first[0]) / BIN_PX) * BIN_PX
    strip = np.floor((v - waves.first[1]) / (along / STRIPS)) * along / STRIPS
    for row, lean in enumerate((0.0, 1.0, -1.0)):
        turn = np.outer(waves.frequency, place - waves.first[0]) + lean * strip / waves.period
        direct = np.exp(-2j * np.pi * turn) @ weight
        np.testing.assert_allclose(np.abs(got[row]), np.abs(direct), atol=2e-4 * weight.sum())


def test_the_power_of_independent_points_is_one():
    """In the mean of 400 patterns on a frame with a corner left out, at every wave searched."""
    excluded = np.zeros(SHAPE, bool)
    excluded[:150, :200] = True
    frame = frame_of(20.0, excluded)
    area = points(200)[2]
    waves, rng = Waves.of(frame, 200, area), np.random.default_rng(3)
    u, v = frame.random_points((400, 200), rng)
    power = waves.power(u, v, np.sqrt(area))[:, :, waves.searched_from : waves.searched_to]
    assert power.mean() == pytest.approx(1, abs=0.05)
    each = power.mean(axis=0)
    assert np.abs(each - 1).max() < 4.5 / np.sqrt(400)


def test_spacings_searched_are_those_promised():
    """From half the extent to 1.5 mean distances, three diameters or 16 px, whichever is longest."""
    frame = frame_of(0.0)
    extent, step = SHAPE[0], None
    for count, area in ((300, 30.0), (100_000, 4.0), (300, 900.0)):
        waves = Waves.of(frame, count, np.full(5, area))
        step = 1 / waves.length
        shortest = max(1.5 * np.sqrt(SHAPE[0] * SHAPE[1] / count), 3 * 2 * np.sqrt(area / np.pi), 16.0)
        assert waves.extent == pytest.approx(extent, rel=1e-6)
        assert waves.searched[0] - step < 2 / extent <= waves.searched[0] + 1e-12
        assert waves.searched[-1] == pytest.approx(int(1 / shortest / step) * step)
        assert waves.frequency[0] - step < 0.75 / extent <= waves.frequency[0] + 1e-12
        np.testing.assert_allclose(np.diff(waves.frequency), step)


def test_a_period_of_the_terms_holds_the_field_four_times():
    waves = Waves.of(frame_of(0.0), 300, np.full(5, 30.0))
    across = SHAPE[0] - CELL_PX + 2 * CELL_PX  # between the middles of the outermost cells, and a cell at either end
    assert 4 * across < waves.length < 4.3 * across


def test_the_cells_hold_the_frame_and_share_it_evenly():
    """Middles of cells of 8 px; the last ones, which the frame cuts, hold less."""
    frame = Frame.of(np.zeros((20, 30), bool), 0.0)
    assert sorted(set(frame.u.tolist())) == [4.0, 12.0, 18.0]
    assert sorted(set(frame.v.tolist())) == [4.0, 12.0, 20.0, 27.0]
    assert frame.share.sum() == pytest.approx(1)
    assert frame.share.max() / frame.share.min() == pytest.approx(64 / (4 * 6))


def test_random_points_of_a_frame_with_gaps_stay_in_the_cells_that_are_analysed():
    excluded = np.zeros((80, 80), bool)
    excluded[:, 40:] = True
    u, v = Frame.of(excluded, 0.0).random_points((50, 40), np.random.default_rng(1))
    assert v.min() >= 0 and v.max() <= 40 and u.min() >= 0 and u.max() <= 80
    # An even distribution: mean 20 and 40, standard deviations of the means 40/√12/√2000 and twice that.
    assert v.mean() == pytest.approx(20, abs=4 * 40 / np.sqrt(12 * 2000))
    assert u.mean() == pytest.approx(40, abs=4 * 80 / np.sqrt(12 * 2000))


@pytest.mark.parametrize(("off", "expected"), [(8.0, 1 / 200), (1 / 8, 10 / 11)])
def test_a_fit_that_errs_upwards_lowers_what_the_placements_reach(off, expected):
    """Placements are judged as a fit off by that factor would judge them.

    Eight times too high, none of 199 is as strong: 1/200. Eight times too low, all are, and the first ten decide.
    """
    frame, area = frame_of(0.0), points()[2]
    waves = Waves.of(frame, len(area), area)
    fake = SimpleNamespace(errors=lambda frequency, draws, rng: np.full((draws, len(frequency)), off))
    p_value = chance_of(9.0, waves, frame, np.sqrt(area), fake, np.random.default_rng(2))
    assert p_value == pytest.approx(expected, abs=0.1 if off < 1 else 1e-12)


def test_placements_end_at_199(monkeypatch):
    """Where none is as strong, 1/200 is the least that can be said."""
    drawn = []
    frame, area = frame_of(0.0), points()[2]
    waves = Waves.of(frame, len(area), area)

    def counted(shape, rng):
        drawn.append(shape[0])
        return Frame.random_points(frame, shape, rng)

    watched = SimpleNamespace(random_points=counted)
    even = Regularity(0.0, 0.0, np.empty(0))
    assert chance_of(1e9, waves, watched, np.sqrt(area), even, np.random.default_rng(2)) == 1 / 200
    assert sum(drawn) == 199


def test_the_band_of_chance_lies_about_the_mean():
    x, y, area = points(400)
    mask = np.zeros(SHAPE, bool)
    mask[y.astype(int), x.astype(int)] = True
    found = banding(mask, np.zeros(SHAPE, bool), (x, y, area), 0.0)
    mean = mask.mean()
    inner = slice(20, -20)
    assert (found.random_low[inner] < mean).all() and (mean < found.random_high[inner]).all()
    low, high = mean - found.random_low[inner], found.random_high[inner] - mean
    np.testing.assert_allclose(low, np.minimum(high, mean), rtol=1e-9)


def test_the_band_of_chance_holds_95_percent_of_random_profiles():
    """Twelve fields of carbides placed at random: 95 % of their smoothed profiles, ± 4."""
    inside = []
    for seed in range(12):
        x, y, area = points(400, seed)
        mask = np.zeros(SHAPE, bool)
        mask[y.astype(int), x.astype(int)] = True
        found = banding(mask, np.zeros(SHAPE, bool), (x, y, np.ones(len(area))), 0.0)
        within = (found.random_low <= found.smoothed) & (found.smoothed <= found.random_high)
        inside.append(within[np.isfinite(found.smoothed)].mean())
    assert np.mean(inside) == pytest.approx(0.95, abs=0.04)


@pytest.mark.parametrize("rolling", [0.0, 90.0, 135.0])
def test_a_profile_stands_at_the_middle_of_its_bins(rolling):
    """A line of carbide across the profile at a known place; positions are those of x·sin + y·cos."""
    carbide = np.zeros(SHAPE, bool)
    carbide[100:104, 200:204] = True
    curve = profile(carbide, np.zeros(SHAPE, bool), rolling)
    turn = np.radians(rolling)
    middle = 202 * np.sin(turn) + 102 * np.cos(turn)
    assert np.average(curve.position, weights=curve.carbide) == pytest.approx(middle, abs=0.3)
    assert curve.analysed.sum() == np.prod(SHAPE)
    span = np.ptp([x * np.sin(turn) + y * np.cos(turn) for x in (0, SHAPE[1]) for y in (0, SHAPE[0])])
    assert np.ptp(curve.position) == pytest.approx(span, abs=2 * BIN_PX)


def test_the_regularity_of_independent_points_is_level_one():
    """Direct sums over the waves of the frame, fitted by statsmodels: a gamma model with a log link (Whittle)."""
    import statsmodels.api as sm

    x, y, area = points(250, 4)
    weight, highest = np.sqrt(area), 1 / 40
    found = regularity(x, y, weight, SHAPE, (0.0, 1.0), highest)
    p, q = np.meshgrid(
        np.arange(int(highest * SHAPE[1]) + 1), np.arange(-int(highest * SHAPE[0]), int(highest * SHAPE[0]) + 1)
    )
    fx, fy = p.ravel() / SHAPE[1], q.ravel() / SHAPE[0]
    frequency = np.hypot(fx, fy)
    with np.errstate(invalid="ignore"):
        use = (frequency > 0) & (frequency <= highest) & (np.abs(fy) / frequency < np.cos(np.radians(25)))
    use &= ~((fx == 0) & (fy < 0))
    wave = np.exp(-2j * np.pi * (np.outer(fx[use], x) + np.outer(fy[use], y))) @ weight
    power, square = np.abs(wave) ** 2 / np.sum(weight**2), frequency[use] ** 2
    np.testing.assert_allclose(np.sort(found.fitted), np.sort(square))
    model = sm.GLM(power, sm.add_constant(square / square.max()), family=sm.families.Gamma(sm.families.links.Log()))
    level, slope = model.fit().params
    assert (found.level, found.slope * square.max()) == pytest.approx((level, slope), abs=1e-4)


def test_few_waves_tell_no_regularity_and_many_err_as_a_part_of_them():
    """With seven waves nothing is fitted; 600 waves err by 1/√2 of what 300 of them do."""
    frequency = np.array([0.01, 0.02])
    rng = np.random.default_rng(5)
    assert (Regularity(0.0, 0.0, np.full(7, 1e-4)).errors(frequency, 3, rng) == 1).all()
    square = np.linspace(1e-5, 4e-4, ENOUGH_WAVES)
    once = Regularity(0.0, 0.0, square).errors(frequency, 4000, np.random.default_rng(6))
    twice = Regularity(0.0, 0.0, np.repeat(square, 2)).errors(frequency, 4000, np.random.default_rng(6))
    np.testing.assert_allclose(np.log(twice), np.log(once) / np.sqrt(2), atol=1e-9)
    # The mean of n exponential waves errs by 1/√n in its logarithm; with a slope by up to twice that.
    assert 1 / np.sqrt(ENOUGH_WAVES) < np.log(once)[:, 0].std() < 2.1 / np.sqrt(ENOUGH_WAVES)
