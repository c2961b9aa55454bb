"""Scale bars, pits, dust and scratches are left out and shown; halos are not taken for them."""

import numpy as np
import pytest
from drawn_marks import halo, with_scale_bar

from micro.issues import flag_text
from micro.phantom.picture import Optics, etched_surface, expose, pits
from micro.phantom.scenes import Population, Scene, arrange, make_field
from micro.phantom.shapes import cover, shapes
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.stages import segment


@pytest.mark.parametrize("level", [255.0, 0.0], ids=["white", "black"])
def test_drawn_scale_bar_and_its_caption_are_left_out(field, plain, fraction, level):
    found = segment(with_scale_bar(field.grey, 0.2, 20.0, level))
    drawn = with_scale_bar(np.full(field.grey.shape, 128, np.float32), 0.2, 20.0, level) == level
    assert found.excluded[drawn].all()
    assert "excluded" in flag_text(found.issues)
    assert any("(look at the hatched parts of the outline picture)" in one.text for one in found.issues)
    assert fraction(found) == pytest.approx(fraction(plain), rel=0.02)
    assert not found.labels[found.excluded].any()


def test_less_than_half_a_percent_left_out_is_not_said(field):
    one_pit = pits(field.grey, 1, np.random.default_rng(3), diameter_px=7)
    found = segment(one_pit)
    assert found.excluded.mean() < 0.005
    assert "excluded" not in flag_text(found.issues)
    assert not any("left out" in one.text for one in found.issues)


def test_clean_field_is_analysed_whole(plain):
    assert not plain.excluded.any()


def test_pits_in_a_field_of_bright_carbides_are_matrix(field, plain, fraction):
    """They stay in the analysed area, level with the matrix, and are no carbides."""
    rng = np.random.default_rng(11)
    pitted = pits(field.grey, 12, rng, diameter_px=7)
    dark = (pitted < 40) & (field.grey > 60)
    found = segment(pitted)
    assert not found.excluded[dark].any() and not found.labels[dark].any()
    assert (found.contrast[dark] == 0).mean() > 0.8
    assert fraction(found) == pytest.approx(fraction(plain), rel=0.03)


def test_rim_around_carbides_is_no_mark(field):
    ringed = halo(field.grey, field.truth.coverage, -20.0, width_px=2.0)
    assert segment(ringed).excluded.mean() < 0.002


def scratched(contrast, width_px, ecd=9.0, shape=(384, 512)):
    """5 % of carbides and two scratches across the field: picture without them, with them, where they lie bare."""
    optics, rng = Optics(shading=0.2), np.random.default_rng(2)
    coverage = cover(arrange(Scene((Population(0.05, ecd),)), shape, rng), shape)
    length = np.array([520.0, 640.0])
    lines = shapes(np.sqrt(length * width_px), rng, aspect=length / width_px, angle_deg=np.array([25.0, 100.0]))
    share = cover(lines.moved(np.array([250.0, 330.0]), np.array([180.0, 200.0])), shape).by_class[0]
    surface = etched_surface(coverage, optics, rng)
    clean, marked = (
        expose(s.astype(np.float32), optics, np.random.default_rng(9)) for s in (surface, surface + contrast * share)
    )
    return clean, marked, (share > 0.3) & (coverage.labels == 0)


@pytest.mark.parametrize(("contrast", "width_px"), [(60, 1.2), (90, 1.2), (90, 2.5), (60, 3.0), (-60, 1.2)])
def test_scratches_across_the_field_are_no_carbides(fraction, contrast, width_px):
    """As bright as carbides or darker than the matrix: left out, and what is measured stays as without them."""
    clean, marked, scratch = scratched(contrast, width_px)
    plain, found = segment(clean), segment(marked)
    assert found.excluded[scratch].mean() > 0.9
    assert (found.labels[scratch] > 0).mean() < 0.05
    assert "excluded" in flag_text(found.issues)
    assert fraction(found) == pytest.approx(fraction(plain), rel=0.04)
    assert found.count == pytest.approx(plain.count, rel=0.05)


def elongated_populations(rng):
    """Stringers, rods end to end, bands, large and small carbides: everything that may look like a scratch."""
    share, ecd = float(rng.choice([0.03, 0.08, 0.15, 0.25])), float(rng.uniform(5, 12))
    yield Population(share, ecd, aspect=float(rng.uniform(4, 8)), misalignment_deg=2.0, stringers=0.8)
    yield Population(share, float(rng.uniform(10, 25)), aspect=8.0, aspect_spread=0.0, misalignment_deg=3.0)
    yield Population(share, ecd, stringers=0.9, misalignment_deg=5.0)
    yield Population(share, ecd, aspect=float(rng.uniform(1, 8)), banding=1.0)
    yield Population(share, float(rng.uniform(4, 30)))


@pytest.mark.study
def test_none_of_200_clean_fields_loses_half_a_percent():
    worst, lost = 0.0, 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        optics = Optics(blur_px=float(rng.uniform(0.7, 1.5)), noise=float(rng.choice([4, 9, 18])), shading=0.2)
        rolling = float(rng.choice([0, 27, 90]))
        for population in elongated_populations(rng):
            grey, _ = make_field(Scene((population,), rolling_deg=rolling, optics=optics), (192, 256), rng)
            share = float(segment(grey).excluded.mean())
            worst, lost = max(worst, share), lost + (share > 0)
    print(f"clean fields: something left out in {lost} of 200, at worst {100 * worst:.2f} % of the area")
    assert worst < 0.005


def test_streaks_that_stop_at_carbides_are_matrix(field, plain, fraction):
    """Charging darkens the matrix along short pieces of single rows: cut out with a margin, they took matrix alone."""
    rng = np.random.default_rng(5)
    grey = field.grey.copy()
    for row in rng.choice(np.arange(8, grey.shape[0] - 8), 24, replace=False):
        start = int(rng.integers(0, grey.shape[1] - 150))
        piece = slice(start, start + 150)
        grey[row, piece] -= 35 * (field.truth.coverage.labels[row, piece] == 0)
    found = segment(grey)
    assert found.excluded.mean() < 0.01
    assert fraction(found) == pytest.approx(fraction(plain), rel=0.02)


def test_the_interval_holds_that_dust_hides_no_carbide(field, fraction):
    """Two grains of dust on 6 % of the frame: the area fraction is that of the rest, or so much smaller."""
    rows, columns = np.indices(field.grey.shape)
    middles = np.array([[0.3, 0.3], [0.7, 0.7]]) * field.grey.shape
    radius = np.sqrt(0.03 * field.grey.size / np.pi)
    dust = np.any([np.hypot(rows - y, columns - x) < radius for y, x in middles], axis=0)
    found = segment(np.where(dust, np.float32(50), field.grey), SegmentationSettings("bright"))
    (said,) = (one for one in found.issues if one.kind == "marks_left_out")
    assert said.half_width == pytest.approx(0.06, rel=0.2)
    assert found.verdict.doubt >= said.half_width
    assert fraction(found) == pytest.approx(field.truth.coverage.labels[~dust].astype(bool).mean(), rel=0.06)
