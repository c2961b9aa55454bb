"""The strip below an outline picture: what its lines mean, and the scale bar, so that neither hides a carbide."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.pictures.lettering import text_width, write
from micro.pictures.scale_bar import length_text, round_length_um

Picture = NDArray[np.uint8]
Sample = Callable[[Picture], None]
PAPER = 255
LETTERS = 1 / 52


@dataclass(frozen=True)
class Item:
    """One entry: `sample` draws into a small picture, the words stand beside it."""

    words: str
    sample: Sample
    sample_px: int


def line_of(colour: tuple[int, int, int]) -> Sample:
    """Draw the line of a carbide class."""

    def draw(sample: Picture) -> None:
        middle, half = sample.shape[0] // 2, max(1, sample.shape[0] // 10)
        sample[middle - half : middle + half] = colour

    return draw


def with_strip(picture: Picture, items: Sequence[Item], um_per_px: float | None) -> Picture:
    """RGB picture (rows, columns, 3) with a white strip below: the scale bar, then the entries that fit its width."""
    columns = picture.shape[1]
    high = max(11, round(columns * LETTERS))
    entries = [_entry(item, high) for item in ([*_scale(columns, um_per_px), *items])]
    lines = _lines([e for e in entries if e.shape[1] + high <= columns], columns - high, high)
    if not lines:
        return picture
    strip = np.full((2 * high * len(lines) + high // 2, columns, 3), PAPER, np.uint8)
    for number, line in enumerate(lines):
        left, top = high // 2, 2 * high * number + high // 4
        for entry in line:
            strip[top : top + entry.shape[0], left : left + entry.shape[1]] = entry
            left += entry.shape[1] + high
    return np.vstack([picture, strip])


def _scale(columns: int, um_per_px: float | None) -> list[Item]:
    if um_per_px is None:
        return []
    length_um = round_length_um(columns * um_per_px)
    return [Item(length_text(length_um), line_of((0, 0, 0)), round(length_um / um_per_px))]


def _entry(item: Item, high: int) -> Picture:
    gap = high // 2
    entry = np.full((2 * high, item.sample_px + gap + text_width(item.words, high), 3), PAPER, np.uint8)
    item.sample(entry[high // 2 : high // 2 + high, : item.sample_px])
    write(entry, item.words, item.sample_px + gap, high, high)
    return entry


def _lines(entries: Sequence[Picture], width: int, gap: int) -> list[list[Picture]]:
    lines: list[list[Picture]] = []
    room = -1
    for entry in entries:
        if entry.shape[1] > room:
            lines.append([])
            room = width
        lines[-1].append(entry)
        room -= entry.shape[1] + gap
    return lines
