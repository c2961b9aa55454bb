"""The accuracy the program promises, on invented fields of 1024 × 1024 px; prints its figures."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from micro.phantom import Population
from micro.segmentation import segment

pytestmark = pytest.mark.study
SHAPE = (1024, 1024)
SHARES, DIAMETERS, BLURS = (0.01, 0.05, 0.10, 0.20), (5, 8, 12, 25), (0.7, 1.0, 1.25, 1.5)
CONTRAST_TO_NOISE, SHADINGS = (5, 10, 20), (0.0, 0.2, 0.4)


def mean_ecd(area, least=4.0):
    ecd = 2 * np.sqrt(np.maximum(area, 0) / np.pi)
    ecd = ecd[ecd >= least]
    return ecd.mean(), (ecd**3).sum() / (ecd**2).sum()


@pytest.fixture(scope="module")
def main_table(phantom, fraction):
    """Measure area fraction and ECD over the whole range, the levels of every factor in turn."""
    rows = []
    for i, (share, ecd) in enumerate(itertools.product(SHARES, DIAMETERS)):
        for repeat in range(2):
            k = i + i // 4 + 2 * repeat
            blur, cnr, shading = BLURS[k % 4], CONTRAST_TO_NOISE[k % 3], SHADINGS[(k + i // 4) % 3]
            kind = Population(share, ecd, spread=0.35, aspect=1.0 + 0.5 * (k % 2), facets=6 * (k // 2 % 2))
            field = phantom(
                [kind], seed=5000 + 10 * i + repeat, shape=SHAPE, blur_px=blur, noise=90 / cnr, shading=shading
            )
            found = segment(field.grey)
            light = np.bincount(found.basins.ravel(), found.contrast.ravel(), found.count + 1)[1:]
            area = light / found.classes[0].contrast
            truth = field.truth.particles["shown_px"].to_numpy()
            sizes = [a / b - 1 for a, b in zip(mean_ecd(area), mean_ecd(truth), strict=True)]
            row = (share, ecd, blur, cnr, shading, field.area_fraction, fraction(found), *sizes)
            print("{:4.2f} {:3d} px blur {:4.2f} CNR {:3d} shading {:3.1f}  true {:.4f} found {:.4f}  "
                  "ECD {:+.3f} weighted {:+.3f}".format(*row))  # fmt: skip
            rows.append(row)
    return np.array(rows)


def test_area_fraction_within_3_percent_or_a_twentieth_of_a_percent(main_table):
    true, found = main_table[:, 5], main_table[:, 6]
    assert (np.abs(found - true) <= np.maximum(0.03 * true, 0.0005)).all()


def test_mean_bias_of_the_area_fraction_within_1_percent(main_table):
    bias = float(np.mean(main_table[:, 6] / main_table[:, 5] - 1))
    print(f"mean bias {100 * bias:+.2f} %")
    assert abs(bias) <= 0.01


def test_mean_diameters_within_3_percent(main_table):
    print("largest errors of the mean and the area-weighted ECD:", np.abs(main_table[:, 7:]).max(axis=0))
    assert (np.abs(main_table[:, 7:]) <= 0.03).all()


@pytest.mark.parametrize("seed", range(5))
def test_faint_1_percent_within_15_percent(phantom, fraction, seed):
    field = phantom([Population(0.01, 8)], seed=seed, shape=SHAPE, class_greys=(135.0,), noise=15.0)
    error = fraction(segment(field.grey)) / field.area_fraction - 1
    print(f"contrast to noise 3: {100 * error:+.1f} %")
    assert abs(error) <= 0.15


def test_nothing_is_found_in_50_of_50_empty_fields(phantom):
    found = 0
    for seed in range(50):
        texture, grain = ((0, 1), (5, 1.3), (8, 2.5), (6, 4))[seed % 4]
        field = phantom(
            [], seed=seed, shape=(768, 1024), texture=texture, texture_px=grain, noise=3 + seed % 10, shading=0.3
        )
        found += segment(field.grey).count > 0
    print(f"empty fields with something found: {found} of 50")
    assert found == 0


@pytest.mark.parametrize("seed", range(5))
def test_two_classes_each_within_6_percent(phantom, fraction, seed):
    kinds = [Population(0.05, 7 + seed, carbide_class=1), Population(0.03, 11 - seed)]
    field = phantom(kinds, seed=seed, shape=SHAPE, class_greys=(140.0, 190.0), blur_px=0.8 + 0.15 * seed, noise=5.0)
    found = segment(field.grey)
    errors = [fraction(found, k) / field.truth.area_fraction[k] - 1 for k in range(len(found.classes))]
    print("two classes:", " ".join(f"{100 * e:+.1f} %" for e in errors))
    assert len(errors) == 2 and max(map(abs, errors)) <= 0.06


def test_ellipses_of_aspect_1_to_5_are_counted_and_not_cut(phantom):
    errors, cut, total = [], 0, 0
    for aspect, ecd in itertools.product((1, 2, 3, 4, 5), (10, 18)):
        kind = Population(0.10, ecd, aspect=aspect, aspect_spread=0.0, roughness=0.0)
        field = phantom([kind], seed=aspect, shape=(768, 1024), noise=9.0, blur_px=1.2)
        found = segment(field.grey)
        truth = field.truth.coverage.labels
        size = np.bincount(truth.ravel())
        seen = int((size[1:] >= 8).sum())
        errors.append(found.count / seen - 1)
        pair, pixels = np.unique(truth.astype(np.int64) * (found.count + 1) + found.labels, return_counts=True)
        own, other = np.divmod(pair, found.count + 1)
        part = (own > 0) & (other > 0) & (pixels > 0.15 * size[own])
        cut += int((np.bincount(own[part]) > 1).sum())
        total += seen
    print(
        f"count {100 * min(errors):+.1f} to {100 * max(errors):+.1f} %, single ellipses cut {100 * cut / total:.2f} %"
    )
    assert max(map(abs, errors)) <= 0.03
    assert cut / total < 0.02
