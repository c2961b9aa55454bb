"""A picture drawn in parts is one picture: the same whoever draws which part, and without seams."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import tifffile
from scipy import ndimage
from shapely import STRtree
from shapely.geometry import Polygon

from micro.phantom import parts
from micro.phantom.defects import Damage
from micro.phantom.parts import Whole, arrange_in_parts, write_in_parts
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene
from micro.phantom.shapes import polygons

SHAPE = (260, 300)
POPULATION = Population(0.15, 9.0, aspect=1.5, misalignment_deg=15.0)


@pytest.fixture(autouse=True)
def small_parts(monkeypatch):
    for name, pixels in (("PART", 128), ("TILE", 64), ("BLOCK", 32)):
        monkeypatch.setattr(parts, name, pixels)


def backwards(work, jobs):
    return reversed([work(job) for job in reversed(list(jobs))])


def test_the_same_bytes_whoever_draws_which_part(tmp_path):
    """One after the other, the last first, or four at once."""
    scene = Scene((POPULATION,), optics=Optics(100, (200,), texture=5.0))
    whole = Whole(scene, SHAPE, (1, 1))
    with ThreadPoolExecutor(4) as pool:
        for name, spread in (("a", map), ("b", backwards), ("c", pool.map)):
            write_in_parts(tmp_path / name, whole, 0.2, 8, spread)
    assert len({(tmp_path / name).read_bytes() for name in "abc"}) == 1


def test_carbides_keep_their_distance_over_seams_too():
    """Shortest distance between polygons by shapely."""
    held = arrange_in_parts(Whole(Scene((POPULATION,)), SHAPE, (2, 1)), map)
    found = [Polygon(points) for one in held.values() for points in polygons(one)]
    pairs = STRtree(found).query(found, "dwithin", 5.0).T
    assert min(found[i].distance(found[j]) for i, j in pairs if i < j) >= 2.0


@pytest.mark.parametrize("bits", [8, 16])
def test_truth_is_what_is_drawn(tmp_path, bits):
    """Without lens, light and noise the grey of a flat picture says how much of it is carbide, as the truth does."""
    top = 2**bits - 1
    optics = Optics(0, (top,), blur_px=0.0, noise=0.0, shading=0.0, grey_max=top)
    truth = write_in_parts(
        tmp_path / "f.tif", Whole(Scene((POPULATION,), optics=optics), SHAPE, (3, 1)), 0.2, bits, map
    )
    grey = tifffile.imread(tmp_path / "f.tif")
    assert grey.shape == SHAPE
    assert grey.mean() / top == pytest.approx(truth.area_fraction.sum(), abs=0.3 / top)
    assert truth.area_fraction.sum() == pytest.approx(0.15, rel=0.03)
    _, touching = ndimage.label(grey > top / 2, np.ones((3, 3)))
    assert touching == pytest.approx((truth.particles["shown_px"] > 1).sum(), rel=0.01)


def test_neither_texture_nor_lens_shows_a_seam(tmp_path):
    """Steps between neighbours over seams are as large as elsewhere, as is the spread that was asked for."""
    optics = Optics(30_000, (40_000,), blur_px=1.5, noise=0.0, shading=0.0, texture=1_000.0, grey_max=65_535)
    write_in_parts(tmp_path / "f.tif", Whole(Scene((), optics=optics), (1000, 1000), (4, 1)), 0.2, 16, map)
    grey = tifffile.imread(tmp_path / "f.tif").astype(float)
    steps = np.sqrt((np.diff(grey, axis=1) ** 2).mean(axis=0))
    seams = np.arange(127, 999, 128)
    assert steps[seams].mean() == pytest.approx(steps.mean(), rel=0.05)
    # Gaussians of σ 3 and 1.5 follow each other: the squares of their widths add, and the spread falls by the root.
    assert grey.std() == pytest.approx(1_000 / np.sqrt(1 + (1.5 / 3) ** 2), rel=0.05)


def test_bands_run_through_all_parts():
    """Columns of parts beside each other hold the same bands: their densities down the picture go together."""
    scene = Scene((Population(0.1, 5.0, banding=1.5),), band_spacing_px=100.0)
    held = arrange_in_parts(Whole(scene, (400, 400), (5, 1)), map)
    x, y = (np.concatenate([getattr(one, axis) for one in held.values()]) for axis in "xy")
    left, right = (np.histogram(y[side], 16, (0, 400))[0] for side in (x < 200, x >= 200))
    assert np.corrcoef(left, right)[0, 1] > 0.5


def test_what_reaches_over_parts_is_refused():
    too_much = (
        Scene((), damage=Damage(pits=1)),
        Scene((Population(0.1, 5, stringers=0.5),)),
        Scene((Population(0.1, 40),)),
    )
    for scene in too_much:
        with pytest.raises(ValueError, match="in one piece only"):
            Whole(scene, SHAPE, (1,))
