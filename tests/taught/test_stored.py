"""A taught map comes back as it was kept, and nothing else is taken for one."""

import json

import numpy as np
import pytest
from invented import hard_etch, person

from micro.errors import InputError
from micro.taught.features import NAMES, feature_planes
from micro.taught.learner import OUTSIDE_SHARE, StoredMap, from_text, probability_map, share_outside, teach, to_text


@pytest.fixture(scope="module")
def field():
    rng = np.random.default_rng(18)
    grey, carbide = hard_etch(rng)
    return grey, feature_planes(grey), person(rng, carbide, 300)


@pytest.fixture(scope="module")
def stored(field):
    _, planes, counted = field
    return StoredMap(teach(planes.at(counted.x_px, counted.y_px), counted.answers), {"um_per_px": 0.1})


def test_the_map_comes_back_to_the_last_bit(field, stored):
    again = from_text(to_text(stored), "map.json")
    assert (probability_map(again.taught, field[1]) == probability_map(stored.taught, field[1])).all()
    assert again.about == {"um_per_px": 0.1}
    assert again.taught.points == stored.taught.points
    assert to_text(again) == to_text(stored)


def test_it_is_plain_text(stored):
    body = json.loads(to_text(stored))
    assert body["features"] == list(NAMES)
    assert len(to_text(stored)) < 300_000


def test_any_changed_digit_is_noticed(stored):
    """Every 997th character, if it is a digit, turned into another."""
    text = to_text(stored)
    places = [k for k in range(0, len(text), 997) if text[k].isdigit()]
    assert len(places) > 20
    for k in places:
        with pytest.raises(InputError, match=r"map\.json"):
            from_text(text[:k] + str((int(text[k]) + 1) % 10) + text[k + 1 :], "map.json")


@pytest.mark.parametrize("length", [0, 1, 100, 10_000])
def test_a_torn_file_is_refused(stored, length):
    with pytest.raises(InputError, match="not whole"):
        from_text(to_text(stored)[:length], "map.json")


def signed(stored, **changes):
    """Change a file as somebody would who knew how to sign it."""
    from micro.taught.learner import _digest

    body = json.loads(to_text(stored))
    del body["sha256"]
    for name, value in changes.items():
        if name in body:
            body[name] = value
        else:
            body["map"][name] = value
    return json.dumps({**body, "sha256": _digest(body)})


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"kind": "list"}, "is not a taught map"),
        ({"version": 2}, "of version 2; this program reads version 1"),
        ({"features": ["grey"]}, "other features"),
        ({"map": {}}, "the parts of a taught map"),
        ({"map": [1]}, "the parts of a taught map"),
        ({"about": 3}, "other features|not hold"),
        ({"centre": ["a"]}, "something else than numbers"),
        ({"centre": [[1.0], [1.0, 2.0]]}, "something else than numbers"),
        ({"centre": [0.0] * 3}, "do not fit together"),
        ({"width": [0.0] * len(NAMES)}, "do not fit together"),
        ({"second": [1.0]}, "do not fit together"),
        ({"points": None}, "something else than numbers"),
    ],
)
def test_a_file_of_another_make_is_refused(stored, changes, said):
    with pytest.raises(InputError, match=said):
        from_text(signed(stored, **changes), "map.json")


@pytest.mark.parametrize("text", ["[]", "3", "null", "[" * 100_000, "NaN", '{"kind": "micro taught map"}', "x" * 100])
def test_other_texts_are_refused_in_one_line(text):
    with pytest.raises(InputError) as trouble:
        from_text(text, "map.json")
    assert "\n" not in str(trouble.value)


def test_a_giant_is_not_read():
    with pytest.raises(InputError, match="too long"):
        from_text(" " * 20_000_001, "map.json")


def test_the_taught_field_lies_inside_and_another_etch_outside(field, stored):
    grey, planes, _ = field
    assert share_outside(stored.taught, planes) < OUTSIDE_SHARE / 2
    rng = np.random.default_rng(19)
    streaks = np.repeat(rng.normal(size=(96, 12)), 8, axis=1)
    assert share_outside(stored.taught, feature_planes(streaks)) > OUTSIDE_SHARE
    area = np.zeros(grey.shape, bool)
    assert np.isnan(share_outside(stored.taught, planes, area))
