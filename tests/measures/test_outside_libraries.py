"""Carbide by carbide against scikit-image, OpenCV and SimpleITK on the same label picture."""

import cv2
import numpy as np
import pytest

from micro.measures.particles import measure_particles


@pytest.fixture
def table(segmented, irregular):
    grey = np.random.default_rng(9).normal(200, 5, irregular.shape).astype(np.float32)
    found = measure_particles(segmented(irregular), grey, 0.0)
    return found, grey


def test_against_scikit_image(table, irregular):
    """Centroid, axes, angle, outline area and mean grey are those of regionprops."""
    from skimage.measure import regionprops_table

    found, grey = table
    wanted = ("centroid", "area", "axis_major_length", "axis_minor_length", "orientation", "intensity_mean")
    other = regionprops_table(irregular, grey, properties=wanted)
    assert np.allclose(found["x_px"], other["centroid-1"] + 0.5)
    assert np.allclose(found["y_px"], other["centroid-0"] + 0.5)
    assert np.allclose(found["outline_area_px2"], other["area"])
    assert np.allclose(found["mean_grey"], other["intensity_mean"], rtol=1e-5)
    for mine, theirs in (("major_px", "axis_major_length"), ("minor_px", "axis_minor_length")):
        assert np.allclose(found[mine], other[theirs], rtol=1e-6)
    slender = (other["area"] > 60) & (found["aspect_ratio"] > 1.2)
    off = (found["angle_deg"] - (np.degrees(other["orientation"]) + 90))[slender] % 180
    assert np.minimum(off, 180 - off).max() < 0.5


def test_perimeter_against_crofton_of_scikit_image(table, irregular):
    """The outline length is the Crofton perimeter, carbide by carbide to 3 % and in the mean to 1 %."""
    from skimage.measure import perimeter_crofton

    found, _ = table
    other = np.array([perimeter_crofton(np.pad(irregular == n, 1), directions=4) for n in found["particle"]])
    inner = found["touches_edge"].to_numpy() == 0
    ratio = found["perimeter_px"].to_numpy()[inner] / other[inner]
    assert ratio.mean() == pytest.approx(1, abs=0.01)
    assert np.abs(ratio - 1).max() < 0.03


def test_feret_against_opencv(table, irregular):
    """Feret diameters are those of the hull of pixel centres and, as these lie inside the outline, up to a row more.

    Of directions 5° apart the best is at most half as much off the largest: cos 2.5° of it. Off the least width it
    is by 2.5° as well, where a polygon may be wider by up to its length times sin 2.5°, on top of the row; a
    sixth of a row is what these need.
    """
    found, _ = table
    for row in found[found["touches_edge"] == 0].head(60).to_dict("records"):
        contours, _ = cv2.findContours(
            (irregular == row["particle"]).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
        )
        hull = cv2.convexHull(np.concatenate(contours)).reshape(-1, 2).astype(float)
        far = np.hypot(*(hull[:, None] - hull[None]).T).max()
        assert far * np.cos(np.radians(2.5)) < row["feret_max_px"] <= far + 1
        assert narrowest(hull) < row["feret_min_px"] <= narrowest(hull) + 1.15  # and 2.5° off the least


def narrowest(hull):
    """Least width of a convex polygon: over its edges, the distance of the farthest corner."""
    edge = np.roll(hull, -1, axis=0) - hull
    normal = np.stack([edge[:, 1], -edge[:, 0]], axis=1) / np.hypot(*edge.T)[:, None]
    across = normal @ hull.T
    return (across.max(axis=1) - across.min(axis=1)).min()


def test_against_simpleitk(table, irregular):
    """Centroid, number of pixels and largest Feret diameter are SimpleITK's label statistics."""
    sitk = pytest.importorskip("SimpleITK")
    found, _ = table
    shapes = sitk.LabelShapeStatisticsImageFilter()
    shapes.ComputeFeretDiameterOn()
    shapes.Execute(sitk.GetImageFromArray(irregular))
    for row in found.head(60).to_dict("records"):
        number = row["particle"]
        x, y = shapes.GetCentroid(number)
        assert (row["x_px"], row["y_px"]) == (pytest.approx(x + 0.5), pytest.approx(y + 0.5))
        assert row["outline_area_px2"] == shapes.GetNumberOfPixels(number)
        assert row["feret_max_px"] == pytest.approx(shapes.GetFeretDiameter(number), abs=1.2)


def test_coins_of_scikit_image():
    """The coin photograph that scikit-image ships holds 24 coins; all are found, none is cut in two."""
    from skimage import data

    from micro.segmentation.segmentation import SegmentationSettings
    from micro.segmentation.stages import segment

    grey = data.coins().astype(np.float32)
    found = segment(grey, SegmentationSettings(carbides="bright", min_area_px=200))
    table = measure_particles(found, grey, 0.0)
    coins = table[table["outline_area_px2"] > 700]
    assert len(coins) == 24
