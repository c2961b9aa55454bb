"""Damaged tallies, taught maps and pictures with a drawn bar: a line or a sound number, never a traceback.

Three hundred of each: `pytest -m study tests/faults/test_damaged_parts.py`.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import sound_files

from micro.errors import InputError
from micro.points.tally import read_tallies
from micro.scale.calibration import read_calibration
from micro.taught.features import NAMES
from micro.taught.learner import StoredMap, _digest, from_text, teach, to_text

SEEDS = [*range(6), *(pytest.param(seed, marks=pytest.mark.study) for seed in range(6, 300))]
ODD: list[Any] = [None, -1, 0, 1e308, -1e308, "", "\0", "../x", "\u202e", [], {}, [[]], [1, [2]], True, "9" * 5000]


def changed(content: bytes, rng: random.Random) -> bytes:
    """Change, lose, double or cut off some bytes."""
    found = bytearray(content)
    for _ in range(rng.randint(1, 5)):
        place = rng.randrange(len(found))
        end = place + rng.randint(0, 9)
        found[place:end] = rng.choice([rng.randbytes(rng.randint(0, 9)), bytes(found[place:end]) * 2, b""])
    return bytes(found[: rng.randrange(1, len(found))] if rng.random() < 0.1 else found)


def places(value: Any, place: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Places of all values in nested lists and dictionaries; of long lists the first few."""
    inner = (
        list(value.items()) if isinstance(value, dict) else list(enumerate(value)) if isinstance(value, list) else []
    )
    return [*([place] if place else []), *(p for key, one in inner[:8] for p in places(one, (*place, key)))]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_damaged_tally(tmp_path: Path, seed: int) -> None:
    """What is taken has no more hits than points."""
    rng = random.Random(seed)
    path = tmp_path / "t.csv"
    path.write_bytes(changed(rng.choice(sound_files.sound("tally")), rng))
    try:
        counts = read_tallies([path]).counts
    except InputError as refusal:
        assert str(refusal).startswith(str(path))
        assert "\n" not in str(refusal)
        return
    hits = counts["inside"] + counts["boundary"]
    assert ((hits >= 0) & (hits <= counts["points"])).all()


@pytest.fixture(scope="module")
def map_text() -> str:
    """Give the text of a small taught map."""
    features = np.random.default_rng(1).normal(size=(100, len(NAMES))).astype(np.float32)
    return to_text(StoredMap(teach(features, (features[:, 0] > 0).astype(float)), {"um_per_px": 0.2}))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_damaged_map(map_text: str, seed: int) -> None:
    """Bytes changed, or a part replaced by somebody who puts the digest right: refused, or whole and finite."""
    rng = random.Random(seed)
    if seed % 2:
        text = changed(map_text.encode(), rng).decode(errors="replace")
    else:
        body = json.loads(map_text)
        body.pop("sha256")
        *path, last = rng.choice(places(body))
        target = body
        for key in path:
            target = target[key]
        target[last] = rng.choice(ODD)
        text = json.dumps(body | {"sha256": _digest(body)}, sort_keys=True)
    try:
        found = from_text(text, "m.json").taught
    except InputError as refusal:
        assert str(refusal).startswith("m.json: ")
        assert "\n" not in str(refusal)
        return
    assert all(np.isfinite(np.asarray(value)).all() for value in vars(found).values())


def with_bar() -> bytes:
    """Draw a micrograph with a data bar below, and a scale bar of 100 px in it; bare pixels, so that damage decodes."""
    grey = np.random.default_rng(3).normal(120, 12, (220, 320)).clip(0, 255).astype(np.uint8)
    grey[190:] = 10
    grey[203:207, 40:141] = 240
    cv2.putText(grey, "20 um", (160, 212), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 240, 1)
    return cv2.imencode(".bmp", grey)[1].tobytes()


@pytest.mark.parametrize("seed", SEEDS)
def test_a_damaged_picture_with_a_drawn_bar(
    tmp_path: Path, run_micro: Callable[..., tuple[int, str, str]], seed: int
) -> None:
    """Refused in one line, or a scale: that of the bar unless the damage moved it, and always above 0."""
    rng = random.Random(seed)
    path, out = tmp_path / "p.bmp", tmp_path / "c.toml"
    path.write_bytes(changed(with_bar(), rng))
    status, _, said = run_micro("calibrate", path, "--bar-um", "20", "--out", out)
    assert status in (0, 1)
    assert "Traceback" not in said
    if status == 0:
        assert 0 < read_calibration(out).um_per_px < 50
    else:
        assert len(said.splitlines()) == 1
