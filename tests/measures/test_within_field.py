"""One field tells its own sampling error: closed forms, and how often its intervals hold the truth of the plate."""

import math

import numpy as np
import pytest
from plates import COLUMNS, FIELD, ROWS, STRUCTURES, fields, plate
from scipy.stats import f

from micro.measures.within_field import FEWEST, MORE_WAVES, Carbides, _followed, ends_of_field
from micro.statistics.sampling import NORMAL_95, student_t

WHOLE = np.zeros(FIELD, bool)


def held(name, plates, seed=11):
    """Shares of the fields whose interval of the area fraction holds that of the plate, and that cannot tell."""
    rng = np.random.default_rng(seed)
    holds, told = [], []
    for _ in range(plates):
        x, y, area = plate(name, rng)
        truth = area.sum() / (ROWS * COLUMNS)
        for u, v, own in fields(x, y, area):
            carbides = Carbides(u, v, WHOLE, STRUCTURES[name][3])
            low, high = ends_of_field(own.sum() / WHOLE.size, carbides.relative_uncertainty(own))
            told.append(math.isfinite(high))
            holds.append(low <= truth <= high)
    held_of_told = np.sum(holds) / np.sum(told)
    return held_of_told, 1 - np.mean(told)


def median_of_independent():
    """Median of the estimate over the true error that 16 waves and 4 across rolling give for independent carbides.

    Their powers follow chi-squared laws about the variance; the larger half width counts where the 4 stand out.
    """
    rng = np.random.default_rng(0)
    even, across = rng.chisquare(16, 100_000) / 16, rng.chisquare(4, 100_000) / 4
    half = student_t(16) * np.sqrt(even)
    stands_out = across > f.ppf(0.7, 4, 16) * even
    return np.median(np.where(stands_out, np.maximum(half, student_t(4) * np.sqrt(across)), half)) / NORMAL_95


def test_independent_carbides_err_by_the_root_of_their_squares():
    """Var(A_A) = Σa²/A² for carbides at random (derived), the number by 1/√n; Student's t on top."""
    rng = np.random.default_rng(1)
    by_area, by_number = [], []
    for _ in range(4):
        for x, y, area in fields(*plate("even", rng)):
            field = Carbides(x, y, WHOLE, 0.0)
            by_area.append(field.relative_uncertainty(area) / (np.sqrt((area**2).sum()) / area.sum()))
            by_number.append(field.relative_uncertainty(np.ones(len(x))) * math.sqrt(len(x)))
    assert np.nanmedian(by_area) == pytest.approx(median_of_independent(), rel=0.1)
    assert np.nanmedian(by_number) == pytest.approx(median_of_independent(), rel=0.1)


def test_the_mean_of_carbides_that_are_all_alike_is_sure():
    """No scatter of the sizes, no error of their mean, wherever they lie; nor of a ratio of sums that go together."""
    rng = np.random.default_rng(2)
    x, y, area = next(fields(*plate("small clusters", rng)))
    field = Carbides(x, y, WHOLE, 0.0)
    weight = np.ones(len(x))
    assert field.relative_uncertainty(3.0 * weight, weight) == pytest.approx(0, abs=1e-12)
    assert field.relative_uncertainty(2 * area, area) == pytest.approx(0, abs=1e-12)


def test_a_mean_diameter_errs_by_its_scatter_over_the_root_of_the_number():
    """s/√n of independent diameters, however the carbides cluster."""
    rng = np.random.default_rng(3)
    found = []
    for x, y, area in fields(*plate("large clusters", rng)):
        ecd = 2 * np.sqrt(area / np.pi)
        expected = ecd.std() / ecd.mean() / math.sqrt(len(ecd))
        found.append(Carbides(x, y, WHOLE, 0.0).relative_uncertainty(ecd, np.ones(len(ecd))) / expected)
    assert np.nanmedian(found) == pytest.approx(median_of_independent(), rel=0.15)


def test_what_is_left_out_does_not_look_like_structure():
    """A quarter of the picture left out: carbides at random in the rest err as their number says."""
    rng = np.random.default_rng(4)
    excluded = WHOLE.copy()
    excluded[: FIELD[0] // 2, : FIELD[1] // 2] = True
    found = []
    for x, y, _ in fields(*plate("even", rng)):
        seen = ~excluded[y.astype(int), x.astype(int)]
        field = Carbides(x[seen], y[seen], excluded, 20.0)
        found.append(field.relative_uncertainty(np.ones(seen.sum())) * math.sqrt(seen.sum()))
    assert np.nanmedian(found) == pytest.approx(median_of_independent(), rel=0.15)


def test_too_few_carbides_tell_nothing():
    """Fewer than ten, or none."""
    x = np.linspace(100, 600, FEWEST - 1)
    assert math.isnan(Carbides(x, x, WHOLE, 0.0).relative_uncertainty(np.ones(len(x))))
    assert math.isnan(Carbides(x[:0], x[:0], WHOLE, 0.0).relative_uncertainty(x[:0]))


def test_a_gradient_over_the_whole_field_cannot_be_told():
    """Density that rises from edge to edge across rolling is longer than the field."""
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, FIELD[1], 4000), rng.uniform(0, FIELD[0], 4000)
    kept = rng.uniform(0, 1, 4000) < y / FIELD[0]
    assert math.isnan(Carbides(x[kept], y[kept], WHOLE, 0.0).relative_uncertainty(np.ones(kept.sum())))
    # Where no direction is known it is looked for along both sides.
    assert math.isnan(Carbides(y[kept], x[kept] * 0.7, WHOLE, None).relative_uncertainty(np.ones(kept.sum())))


def test_power_is_followed_to_no_cycles():
    """A line over the squared frequency ends at its own level; power that does not rise is left to the mean."""
    square = np.linspace(0.1, 1, MORE_WAVES)
    falling = np.exp(-3 - 2 * square)
    found = _followed(np.array([falling, falling[::-1], 0 * square]), square, np.zeros(3))
    assert found == pytest.approx([student_t(MORE_WAVES / 4) * math.exp(-1.5), 0, 0])


def test_long_clusters_are_noticed():
    """Of clusters of 90 px the 16 waves with the fewest cycles see too little: followed, their power gives more."""
    rng = np.random.default_rng(6)
    found = []
    for x, y, area in fields(*plate("wide clusters", rng)):
        field = Carbides(x, y, WHOLE, 0.0)
        waves = field._even[0][:16]
        residual = np.concatenate([area, -area.sum() / field._cells.sum() * field._cells])
        plain = student_t(16) * math.sqrt(((waves @ residual / area.sum()) ** 2).mean()) / NORMAL_95
        found.append(field.relative_uncertainty(area) / plain)
    assert np.nanmedian(found) > 1.1


@pytest.mark.parametrize("name", ["even", "hard-core", "bands, 60 %, at 30°"])
def test_a_few_plates(name):
    """The study below in small: 100 fields, so that chance has its share."""
    share, _ = held(name, 4)
    assert 0.9 <= share <= 1.0


# Where the aim of 93 to 98 % is missed, by intervals that are too wide.
MISSED = {"bands, 100 %": (0.93, 0.995), "irregular bands, 60 %": (0.93, 0.99)}


@pytest.mark.study
@pytest.mark.parametrize("name", STRUCTURES)
def test_intervals_of_one_field_cover_what_they_say(name):
    """2 000 fields of 80 plates: 93 to 98 % hold the plate's area fraction, of those that can tell.

    Fields of one plate share its truth: two draws of 40 plates lie up to four parts in a hundred apart.
    """
    share, silent = np.mean([held(name, 40, seed) for seed in (11, 31)], axis=0)
    print(f"{name}: {share:.3f} held, {silent:.2f} cannot tell")
    least, most = MISSED.get(name, (0.93, 0.98))
    assert least <= share <= most


def held_ratios(name, plates, seed=13, layers=0.3):
    """Shares of the fields that can tell whose intervals of ratios hold those of the plate, by quantity.

    Aspect ratios scatter, and are larger in layers 130 px apart where `layers` is not 0.
    """
    rng = np.random.default_rng(seed)
    holds = {}
    for _ in range(plates):
        x, y, area = plate(name, rng)
        aspect = 1 + np.exp(rng.normal(-0.5, 0.5, len(x)) + layers * np.cos(2 * np.pi * y / 130))
        true = {
            quantity: a.sum() / (b.sum() + of_area * ROWS * COLUMNS)
            for quantity, (a, b, of_area) in ratios(area, aspect).items()
        }
        aspects = [own for _, _, own in fields(x, y, aspect)]
        for (u, v, own), shape in zip(fields(x, y, area), aspects, strict=True):
            field = Carbides(u, v, WHOLE, STRUCTURES[name][3])
            for quantity, (a, b, of_area) in ratios(own, shape).items():
                value = a.sum() / (b.sum() + of_area * WHOLE.size)
                low, high = ends_of_field(value, field.relative_uncertainty(a, b, of_area))
                one = np.nan if math.isnan(high) else low <= true[quantity] <= high
                holds.setdefault(quantity, []).append(one)
    return {quantity: float(np.nanmean(held)) for quantity, held in holds.items()}


def ratios(area, aspect):
    """Numerator and denominator of each carbide, and how often that holds the area, as `measures.totals` does.

    Long carbides lie along rolling, so that the order of axes has layers, too.
    """
    ecd = 2 * np.sqrt(area / np.pi)
    length, width = ecd * np.sqrt(aspect), ecd / np.sqrt(aspect)
    return {
        "area_weighted_ecd": (area * ecd, area, 0),
        "mean_aspect_ratio": (aspect, np.ones(len(area)), 0),
        "elongation_along_rolling": (length, width, 0),
        "mean_chord_along": (area, width, 0),
        "mean_free_path": (length, -area, 1),
        "orientation_order": (length * (2 - 1 / aspect), length, 0),
    }


def test_means_over_carbides_hold_those_of_the_plate():
    """100 fields of 4 plates; the study holds more of them to 93 to 98 %."""
    found = held_ratios("even", 4)
    assert len(found) == len(ratios(np.ones(1), np.ones(1)))
    assert all(0.89 <= share <= 1 for share in found.values()), found


def test_the_path_between_carbides_errs_as_the_matrix_and_its_intercepts_do():
    """Of carbides at random all alike, the path (A - n·a)/(n·w) errs by (1 + n·a/(A - n·a))/√n (derived)."""
    rng = np.random.default_rng(6)
    seen = []
    for x, y, _ in fields(*plate("even", rng)):
        area = np.full(len(x), 60.0)
        matrix = WHOLE.size - area.sum()
        expected = (1 + area.sum() / matrix) / math.sqrt(len(x))
        seen.append(Carbides(x, y, WHOLE, 0.0).relative_uncertainty(np.ones(len(x)), -area, 1) / expected)
    assert np.nanmedian(seen) == pytest.approx(median_of_independent(), rel=0.15)


# Layers 130 px apart: even ones add nothing to the mean and are taken for scatter (98 to 99 % held); bands 154 px apart
# and they make a wave as long as the field (92 %).
LAYERED = (0.91, 0.99)


@pytest.mark.study
@pytest.mark.parametrize(("layers", "within"), [(0.0, (0.93, 0.98)), (0.3, LAYERED)])
@pytest.mark.parametrize("name", ["even", "hard-core", "small clusters", "large clusters", "bands, 60 %"])
def test_means_over_carbides_cover_what_they_say(name, layers, within):
    """1 000 fields of 40 plates."""
    found = held_ratios(name, 40, layers=layers)
    print(name, layers, {quantity: round(share, 3) for quantity, share in found.items()})
    assert all(within[0] <= share <= within[1] for share in found.values())


def held_quantile(name, share, by_area, plates, seed=12):
    """Share of the fields that can tell whose interval of a quantile of the diameters holds that of the plate."""
    rng = np.random.default_rng(seed)
    holds, told = [], []
    for _ in range(plates):
        x, y, area = plate(name, rng)
        ecd = 2 * np.sqrt(area / np.pi)
        true = weighted_quantile(ecd, area if by_area else np.ones(len(x)), share)
        for u, v, own in fields(x, y, area):
            size = 2 * np.sqrt(own / np.pi)
            weight = own if by_area else np.ones(len(u))
            relative = Carbides(u, v, WHOLE, STRUCTURES[name][3]).uncertainty_of_quantile(size, weight, share)
            low, high = ends_of_field(weighted_quantile(size, weight, share), relative)
            told.append(math.isfinite(high))
            holds.append(low <= true <= high)
    return np.sum(holds) / np.sum(told)


def weighted_quantile(size, weight, share):
    order = np.argsort(size)
    heap = np.cumsum(weight[order])
    return size[order][np.searchsorted(heap, share * heap[-1])]


@pytest.mark.parametrize(("share", "by_area"), [(0.5, False), (0.9, False), (0.5, True)])
def test_quantiles_of_one_field_hold_those_of_the_plate(share, by_area):
    """100 fields of 4 plates; the study holds more of them to 93 to 98 %."""
    assert 0.89 <= held_quantile("even", share, by_area, 4) <= 1.0


@pytest.mark.study
@pytest.mark.parametrize("name", ["even", "hard-core", "small clusters", "bands, 60 %"])
@pytest.mark.parametrize(("share", "by_area"), [(0.1, False), (0.5, False), (0.9, False), (0.5, True), (0.9, True)])
def test_quantiles_of_one_field_cover_what_they_say(name, share, by_area):
    covered = held_quantile(name, share, by_area, 24)
    print(f"{name}, {share}, {by_area}: {covered:.3f}")
    assert 0.93 <= covered <= 0.985


def test_a_quantile_with_few_carbides_beyond_it_is_not_told():
    """Nine above, or fewer than twenty in all."""
    rng = np.random.default_rng(6)
    x, y, size = rng.uniform(0, 768, (3, 90))
    field = Carbides(x, y, WHOLE, 0.0)
    assert math.isnan(field.uncertainty_of_quantile(size, np.ones(90), 0.9))
    assert field.uncertainty_of_quantile(size, np.ones(90), 0.5) > 0
    few = Carbides(x[:19], y[:19], WHOLE, 0.0)
    assert math.isnan(few.uncertainty_of_quantile(size[:19], np.ones(19), 0.5))
