"""Banding beyond chance: random fields say no, bands say yes at their spacing."""

import numpy as np
import pytest
from plates import verdict

from micro.measures.banding import Frame, banding, lane_width, rows_unseen
from micro.measures.neighbours import place_without_overlap
from micro.measures.orientation import estimate_rolling_direction

SHAPE = (768, 1024)


def field(rng, rolling_deg=0.0, modulation=0.0, spacing=100.0, count=900):
    """Points with a sinusoidal density across rolling, as areas of one size drawn on a mask."""
    rows, columns = SHAPE
    turn = np.radians(rolling_deg)
    x, y = rng.uniform(0, columns, 20 * count), rng.uniform(0, rows, 20 * count)
    across = x * np.sin(turn) + y * np.cos(turn)
    density = 1 + modulation * np.sin(2 * np.pi * across / spacing + rng.uniform(0, 2 * np.pi))
    kept = np.flatnonzero(rng.uniform(0, 1 + modulation, len(x)) < density)[: rng.poisson(count)]
    x, y = x[kept], y[kept]
    area = rng.lognormal(np.log(40), 0.6, len(x))
    mask = np.zeros(SHAPE, bool)
    mask[y.astype(int), x.astype(int)] = True
    return mask, np.zeros(SHAPE, bool), (x, y, area)


def test_random_fields_are_rarely_called_banded():
    """Of 40 random fields few are called banded; the study holds the rate to 5 %."""
    rng = np.random.default_rng(1)
    called = [verdict(banding(*field(rng), rolling, seed=n)) for n, rolling in enumerate([0.0, 17.0] * 20)]
    assert called.count("banded") <= 4


@pytest.mark.parametrize("rolling", [0.0, 17.0, 90.0])
def test_bands_are_found_at_their_spacing(rolling):
    """60 % modulation at 100 px is found in every field, its spacing to 5 %."""
    rng = np.random.default_rng(2)
    for seed in range(4):
        found = banding(*field(rng, rolling, 0.6), rolling, seed=seed)
        assert verdict(found) == "banded"
        assert found.spacing == pytest.approx(100, rel=0.05)
        assert found.contrast > 1.3 * found.contrast_at_random
        # Half a cycle more or less over the profile, evenly: a half width of λ²/2L, over √3.
        half = found.spacing**2 / 2 / np.ptp(found.position)
        assert found.spacing_uncertainty == pytest.approx(half / np.sqrt(3))


@pytest.mark.parametrize(("modulation", "count"), [(0.6, 900), (0.6, 300), (0.0, 900), (0.0, 300)])
def test_the_variance_beyond_random_is_that_of_the_bands_however_many_carbides_show_it(modulation, count):
    """A Cox process: variance of the mean over lines adds that of its intensity, m²/2 of a sinus, to that of chance."""
    rng = np.random.default_rng(11)
    fields = (banding(*field(rng, 0.0, modulation, count=count), 0.0, seed=n) for n in range(16))
    beyond = [found.contrast**2 - found.contrast_at_random**2 for found in fields]
    error = np.std(beyond, ddof=1) / 4
    assert np.mean(beyond) == pytest.approx(modulation**2 / 2, abs=3 * error)
    assert error < 0.03


@pytest.mark.parametrize(("carbides", "fields"), [(100, 4), (400, 3)])
def test_rows_that_fields_leave_open_are_seldom_all_unseen(carbides, fields):
    """Means of as many exponential powers as there are waves, at the level left open: all unseen in some 2.5 %.

    The waves: from 1.5 mean distances to half of that, 1/extent apart.
    """
    level = rows_unseen(np.full(fields, float(carbides)), np.full(fields, 0.05))
    waves = round(np.sqrt(carbides) / 1.5)
    seen = np.random.default_rng(3).exponential(level, (20_000, fields, waves)).mean(axis=2)
    unseen = (seen <= 1 + 2 / np.sqrt(waves)).all(axis=1).mean()
    assert 0.005 < unseen < 0.05


@pytest.mark.study
@pytest.mark.parametrize("count", [40, 80])
def test_few_carbides_raise_no_more_false_alarms_than_many(count):
    """Discs at random without overlap: of 600 fields 2.5 % are called banded, give or take three standard errors."""
    shape = np.zeros((512, 512), bool)
    called = 0
    for seed in range(600):
        rng = np.random.default_rng(seed)
        ecd = rng.lognormal(np.log(20), 0.4, count)
        x, y = place_without_overlap(ecd / 2, (512.0, 512.0), rng).T
        called += verdict(banding(shape, shape, (x, y, np.pi / 4 * ecd**2), 0.0, seed=seed)) == "banded"
    assert called == pytest.approx(15, abs=3 * np.sqrt(15))


def test_few_carbides_cannot_tell():
    """Fewer than 30 carbides give no verdict."""
    mask, out, (x, y, area) = field(np.random.default_rng(3), count=20)
    found = banding(mask, out, (x[:20], y[:20], area[:20]), 0.0)
    assert verdict(found) == ""
    assert np.isnan(found.p_value)


@pytest.mark.parametrize("excluded_columns", [0, 400])
def test_random_points_lie_evenly_on_what_is_analysed(excluded_columns):
    """In a tenth of the analysed area lies a tenth of the points, within what chance leaves; none lies elsewhere."""
    excluded = np.zeros(SHAPE, bool)
    excluded[:, :excluded_columns] = True
    u, v = Frame.of(excluded, 17.0).random_points((2, 20_000), np.random.default_rng(7))
    turn = np.radians(17.0)
    x, y = u * np.sin(turn) + v * np.cos(turn), u * np.cos(turn) - v * np.sin(turn)
    for position, low, high in ((x, excluded_columns, SHAPE[1]), (y, 0, SHAPE[0])):
        tenths = np.histogram(position, np.linspace(low - 1e-3, high + 1e-3, 11))[0]
        assert tenths.sum() == 40_000
        assert np.abs(tenths - 4_000).max() < 4 * np.sqrt(4_000)


def test_a_corner_left_out_is_a_gap_of_the_profile():
    """Across rolling the field begins with 200 px of nothing: no area fraction there, one everywhere else."""
    mask, excluded, points = field(np.random.default_rng(3))
    excluded[:200] = True
    kept = points[1] > 200
    found = banding(mask & ~excluded, excluded, tuple(values[kept] for values in points), 0.0)
    gap = np.isnan(found.smoothed)
    assert gap.any() and found.position[gap].max() < 200
    assert np.isfinite(found.fraction[found.position > 200]).all()


def test_lanes_are_the_whole_runs():
    """A lane that the edge of the frame cuts is not measured."""
    assert lane_width(np.array([1, 1, 0, 1, 1, 1, 0, 0, 1, 0, 1], bool)) == 2.0


def test_rolling_direction_is_found_and_random_has_none():
    """Elongated carbides about 30° show it with its uncertainty; carbides at any angle show none."""
    rng = np.random.default_rng(4)
    lying = estimate_rolling_direction(rng.normal(30, 20, 300), np.full(300, 2.0), np.ones(300))
    assert abs(lying.angle_deg - 30) < 3 * lying.standard_uncertainty_deg
    assert lying.issue.kind == "rolling_estimated"
    long = np.full(300, 2.0)
    found = [estimate_rolling_direction(rng.uniform(0, 180, 300), long, long / 2).found for _ in range(200)]
    assert np.mean(found) <= 0.04


@pytest.mark.study
def test_random_fields_say_not_banded_in_95_of_100():
    """200 random fields: the verdict is 'not banded' in at least 95 %."""
    rng = np.random.default_rng(5)
    called = [verdict(banding(*field(rng, count=700), 0.0, seed=n)) for n in range(200)]
    share = called.count("not banded") / 200
    print(f"random fields called not banded: {100 * share:.1f} % of 200")
    assert share >= 0.95


@pytest.mark.study
def test_a_weak_modulation_is_found_in_nine_of_ten():
    """30 % modulation at 100 px: found in at least 90 % of 100 fields, its spacing to 5 % in the median."""
    rng = np.random.default_rng(6)
    found = [banding(*field(rng, modulation=0.3, count=1500), 0.0, seed=n) for n in range(100)]
    spacing = np.array([f.spacing for f in found if verdict(f) == "banded"])
    print(f"30 % modulation found in {len(spacing)} of 100; spacing off by {np.median(np.abs(spacing / 100 - 1)):.3f}")
    assert len(spacing) >= 90
    assert np.median(np.abs(spacing / 100 - 1)) < 0.05


def rows_of_carbides(rng, rows=45, in_a_row=9, banded=0.0, spacing=150.0):
    """Rows along rolling (horizontal), each at random, or thicker where a wave across says so."""
    y0 = rng.uniform(0, 600, 4000)
    y0 = y0[rng.uniform(0, 1 + banded, 4000) < 1 + banded * np.sin(2 * np.pi * y0 / spacing)][:rows]
    x0, step = rng.uniform(0, 800, rows), rng.uniform(14, 24, (rows, 1))
    x = (x0[:, None] + np.arange(in_a_row) * step) % 800
    y = np.clip(y0[:, None] + rng.normal(0, 1.5, x.shape), 0, 599)
    return x.ravel(), y.ravel(), rng.lognormal(np.log(50), 0.5, x.size)


def judged(points, shape=(600, 800)):
    mask = np.zeros(shape, bool)
    return banding(mask, mask, points, 0.0)


def test_rows_at_random_are_no_bands():
    """Stringers of nine carbides, anywhere: 30 of 30 read banded before rows were told; now 3 at most."""
    found = [judged(rows_of_carbides(np.random.default_rng(seed))) for seed in range(30)]
    assert sum(verdict(f) == "banded" for f in found) <= 3
    assert np.median([f.rows for f in found]) == pytest.approx(9, rel=0.3)
    assert np.isnan([f.spacing for f in found if verdict(f) != "banded"]).all()


def test_bands_of_rows_are_still_bands():
    """80 rows of ten, twice as dense in bands 150 px apart: found in 7 of 12, at their spacing."""
    found = [judged(rows_of_carbides(np.random.default_rng(seed), 80, 10, 0.8)) for seed in range(12)]
    spacings = [f.spacing for f in found if verdict(f) == "banded"]
    assert len(spacings) >= 7
    assert np.median(spacings) == pytest.approx(150, rel=0.1)


@pytest.mark.parametrize("spacing", [400.0, 550.0])
def test_bands_wider_than_half_the_field_have_no_spacing(spacing):
    """600 px across show one band and a half: banded, too wide, and no spacing that is none."""
    for seed in range(5):
        rng = np.random.default_rng(seed)
        x, y = rng.uniform(0, 800, 8000), rng.uniform(0, 600, 8000)
        kept = rng.uniform(0, 1.7, 8000) < 1 + 0.7 * np.sin(2 * np.pi * y / spacing + rng.uniform(0, 6))
        points = x[kept][:400], y[kept][:400], rng.lognormal(np.log(50), 0.5, 400)
        found = judged(points)
        assert found.too_wide
        assert found.p_value <= 0.025
        assert np.isnan([found.spacing, found.lane]).all()


@pytest.mark.parametrize("rolling", [0.0, 17.0, 90.0, 163.0])
def test_contrast_and_lane_of_a_pure_wave(rolling):
    """Density 1 + m·sin: contrast m/√2 beside what chance adds, lane half a period (both derived)."""
    m, spacing = 0.7, 100.0
    rng = np.random.default_rng(9)
    area = np.full(12_000, 4.0)
    turn = np.radians(rolling)
    rows, columns = SHAPE
    across = np.add.outer(np.arange(rows) * np.cos(turn), np.arange(columns) * np.sin(turn))
    wave = np.sin(2 * np.pi * across / spacing)
    whole = wave.std() * m / (1 + m * wave.mean())  # m/√2 but for the part of a wave that the frame cuts
    assert whole == pytest.approx(m / np.sqrt(2), rel=0.04)
    net = []
    for _ in range(4):
        drawn = rng.uniform(0, 1 + m, SHAPE) < 0.2 * (1 + m * wave)
        ys, xs = np.nonzero(drawn)
        some = rng.choice(len(xs), 12_000, replace=False)
        found = banding(drawn, np.zeros(SHAPE, bool), (xs[some] + 0.5, ys[some] + 0.5, area), rolling)
        net.append(np.sqrt(found.contrast**2 - found.contrast_at_random**2))
    assert np.mean(net) == pytest.approx(whole, rel=0.04)
    assert found.lane == pytest.approx(spacing / 2, rel=0.08)
    assert found.spacing == pytest.approx(spacing, rel=0.03)
