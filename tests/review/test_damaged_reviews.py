"""Damaged, foreign and hostile review files: one line each, never a traceback, never a number moved by guess."""

import copy
import json
import random

import numpy as np
import pytest

from micro.errors import InputError
from micro.review.acts import read_review
from micro.review.apply import apply_reviews, outlines_sha256

DAMAGES = 300
ODD = [None, True, -1, 0, 1e300, 10**400, "", "x" * 3000, [], {}, [[]], [0.5], [[1, 2, 3]], "2026", float("nan")]


@pytest.fixture(scope="module")
def whole(found, tools):
    """Content of a sound review of one field."""
    x, y = tools.middle_of(found.labels, 2)
    acts = [
        {"act": "not_carbide", "points": [[x, y]]}, {"act": "cut", "points": [[0, 90.5], [320, 91.5]]},
        {"act": "join", "points": [[x, y], [50, 50]]}, {"act": "draw", "points": [[9, 9], [30, 9], [30, 30]]},
        {"act": "leave_out", "points": [[200, 200], [320, 200], [320, 240]]}, {"act": "reject", "reason": "scratched"},
        {"act": "accept", "when": "2026-01-05T10:00:00Z"},
    ]  # fmt: skip
    field = {
        "specimen": "A", "field": "f", "image_sha256": "0" * 64, "outlines_sha256": outlines_sha256(found.labels),
        "acts": acts,
    }  # fmt: skip
    return {"format": "micro review", "version": 1, "who": "KM", "saved": "2026-01-05T10:00:00Z", "fields": [field]}


def places(content, path=()):
    """Every place in a JSON content."""
    yield path
    items = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    for key, value in items:
        yield from places(value, (*path, key))


def damaged(content, rng):
    """Damage a file: cut short, bytes turned, or a value in it replaced, removed or doubled."""
    text = json.dumps(content).encode()
    way = rng.randrange(5)
    if way == 0:
        return text[: rng.randrange(len(text))]
    if way == 1:
        turned = bytearray(text)
        for _ in range(rng.randrange(1, 6)):
            turned[rng.randrange(len(turned))] = rng.randrange(256)
        return bytes(turned)
    content = copy.deepcopy(content)
    path = rng.choice([p for p in places(content) if p])
    holder = content
    for key in path[:-1]:
        holder = holder[key]
    if way == 2:
        holder[path[-1]] = copy.deepcopy(rng.choice(ODD))
    elif way == 3:
        del holder[path[-1]]
    elif isinstance(holder, list):
        holder.extend([holder[path[-1]]] * 50)
    else:
        holder[f"{path[-1]} "] = holder[path[-1]]
    return json.dumps(content).encode()


def test_three_hundred_damaged_files_cost_one_line_each(whole, found, tmp_path):
    """Whatever still reads as a review can be applied: acts that make no sense meet nothing."""
    rng, path, refused = random.Random(5), tmp_path / "review.json", 0
    for _ in range(DAMAGES):
        path.write_bytes(damaged(whole, rng))
        try:
            reviews = read_review(path)
        except InputError as trouble:
            refused += 1
            assert str(path) in str(trouble)
            assert "\n" not in str(trouble)
            continue
        after, told = apply_reviews(found.segmentation, reviews, "0" * 64)
        assert 0 <= after.contrast_area_px.sum() <= after.labels.size
        assert np.array_equal(np.unique(after.labels[after.labels > 0]), np.arange(1, after.count + 1))
        counted = sum(told.acts.values()) + told.no_effect + sum(s.acts for s in told.stale)
        assert counted == sum(len(r.acts) for r in reviews)
    assert refused > DAMAGES / 2


@pytest.mark.parametrize(("content", "words"), [
    (b"", "is not valid JSON"), (b"\xff\xfe", "is not valid JSON"), (b"[]", "is no review"), (b"{}", "is no review"),
    (b'{"type": "FeatureCollection"}', "is no review"), (b"[" * 100_000, "is not valid JSON"),
    (b'{"format": "micro review", "version": 2}', "later version"),
    (b'{"format": "micro review", "version": 1}', "is damaged at who"),
])  # fmt: skip
def test_foreign_files_are_refused_by_what_they_are(content, words, tmp_path):
    """With what to do about it."""
    path = tmp_path / "r.json"
    path.write_bytes(content)
    with pytest.raises(InputError, match=words):
        read_review(path)


def test_what_is_no_file_is_refused(tmp_path):
    """A folder, and nothing at all."""
    for path in (tmp_path, tmp_path / "none.json"):
        with pytest.raises(InputError, match="cannot be read"):
            read_review(path)
