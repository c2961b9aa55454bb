"""Scale bars of 40 drawn styles: found, measured within a pixel, and nothing else taken for one."""

from __future__ import annotations

import itertools
from functools import cache

import cv2
import numpy as np
import pytest

from micro.errors import InputError
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.scale.drawn_bar import by_points, find_drawn_bar

SHAPE = (300, 480)
FORMS = ("solid", "thin", "ticks", "ticks below", "hollow")
PLACES = ("data bar", "box", "framed box", "bare")
STYLES = list(itertools.product(FORMS, PLACES, (0, 255)))  # 40 of them


@cache
def drawn_field(seed: int) -> np.ndarray:
    """Draw a field of elongated carbides, some of them straight and long: what might be taken for a bar."""
    rng = np.random.default_rng(seed)
    population = Population(0.1, 14.0, aspect=1.5 + seed % 6, misalignment_deg=4.0)
    grey, _ = make_field(Scene((population,), optics=Optics(noise=3.0 + seed % 3)), SHAPE, rng)
    return np.round(grey).astype(np.uint8)


def field(seed: int) -> np.ndarray:
    """One of six such fields, to draw on."""
    return drawn_field(seed % 6).copy()


def ground_for(picture: np.ndarray, place: str, ink: int) -> tuple[np.ndarray, int, int]:
    """Lay the ground of a bar; return the picture, and where the bar begins."""
    if place == "data bar":
        strip = np.full((48, SHAPE[1]), 255 - ink, np.uint8)
        cv2.putText(strip, "15 kV", (300, 30), cv2.FONT_HERSHEY_SIMPLEX, 0.5, ink, 1, cv2.LINE_AA)
        return np.vstack([picture, strip]), 24, SHAPE[0] + 32
    x, y = 40, 200
    if place != "bare":
        if place == "framed box":
            picture[y - 42 : y + 22, x - 22 : x + 222] = ink
        picture[y - 40 : y + 20, x - 20 : x + 220] = 255 - ink
    return picture, x, y


def bar_of(style: tuple[str, str, int], seed: int) -> tuple[np.ndarray, float]:
    """Draw one style; return the picture, and the length that was drawn."""
    form, place, ink = style
    rng = np.random.default_rng(seed)
    length = int(rng.integers(60, 180))
    picture, x, y = ground_for(field(seed), place, ink)
    height = {"solid": 6, "thin": 2, "ticks": 2, "ticks below": 1, "hollow": 8}[form]
    picture[y : y + height, x : x + length] = ink
    if form == "hollow":
        picture[y + 1 : y + height - 1, x + 1 : x + length - 1] = 255 - ink
    if form.startswith("ticks"):
        above = 6 if form == "ticks" else 0
        for end in (x, x + length - 2):
            picture[y - above : y + 8, end : end + 2] = ink
        length -= 2  # from the middle of one tick to that of the other
    cv2.putText(picture, "20 um", (x + 8, y - 12), cv2.FONT_HERSHEY_SIMPLEX, 0.45, ink, 1, cv2.LINE_AA)
    return picture, float(length)


def packed(picture: np.ndarray, quality: int) -> np.ndarray:
    return cv2.imdecode(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], 0)


@pytest.mark.parametrize("jpeg", [None, 92], ids=["png", "jpeg"])
def test_of_40_styles_38_are_found_and_none_is_wrong(jpeg):
    """Solid, thin, with ticks, hollow; on a data bar, in a box, in a frame, bare; dark and bright."""
    right, wrong, missed = 0, [], []
    for seed, style in enumerate(STYLES):
        picture, length = bar_of(style, seed)
        picture = picture if jpeg is None else packed(picture, jpeg)
        try:
            found = find_drawn_bar(picture)
        except InputError as trouble:
            missed.append((style, str(trouble)))
            continue
        if abs(found.length_px - length) <= 1 and found.standard_uncertainty_px < 2:
            right += 1
        else:
            wrong.append((style, found, length))
    assert wrong == []
    assert right >= 38, missed


def test_nothing_is_taken_for_a_bar_where_there_is_none():
    """Fields with elongated carbides, with a data bar of letters only, with a caption in a box: all are refused."""
    for seed in range(12):
        plain = field(seed)
        lettered, _, _ = ground_for(plain.copy(), "data bar", 255 * (seed % 2))
        boxed, x, y = ground_for(plain.copy(), "framed box", 255 * (seed % 2))
        cv2.putText(boxed, "specimen 7", (x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.7, 255 * (seed % 2), 2, cv2.LINE_AA)
        for picture in (plain, lettered, boxed):
            with pytest.raises(InputError, match="no scale bar"):
                find_drawn_bar(picture)


def test_two_bars_alike_are_refused():
    """Which of them is meant cannot be told; both are named with their places."""
    picture = field(1)
    picture[40:46, 50:150] = 255
    picture[240:246, 300:395] = 255
    with pytest.raises(InputError, match="several lines"):
        find_drawn_bar(picture)


def test_an_end_between_two_pixels_is_read_from_their_grey():
    """A bar from 50.25 to 150.75 px, drawn with the share of each pixel that it covers."""
    picture = np.full((100, 300), 100.0)
    picture[40:46, 50:151] = 250
    picture[40:46, 50] = 100 + 0.75 * 150
    picture[40:46, 150] = 100 + 0.75 * 150
    found = find_drawn_bar(picture)
    assert found.length_px == pytest.approx(100.5, abs=0.02)
    assert found.left == pytest.approx(50.25, abs=0.02)


def test_ends_pointed_at_by_hand():
    """3, 4, 5: the distance; two ends of ± 1 px each, rectangular, give √(2/3) px."""
    assert by_points(10, 20, 40, 60) == pytest.approx((50.0, (2 / 3) ** 0.5))
    with pytest.raises(InputError, match="px apart"):
        by_points(1, 1, 2, 2)
