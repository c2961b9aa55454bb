"""What the fields of a study tell of each other: the same place twice, focus, magnification."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.issues import Issue, issue
from micro.measures.field_checks import (
    FEWEST_CARBIDES,
    FEWEST_FIELDS,
    another_magnification,
    different_scales,
    softer_than_others,
)
from micro.segmentation.blurred_shapes import blur_of_resolved_px
from micro.segmentation.segmentation import UNNAMED

FloatArray = NDArray[np.float64]
NEIGHBOURS = (2, 3)
CELL_PX, SHIFT_CELL_PX = 2.0, 6.0
CROWDED = 30
VOTES = 3
CLOSE_PX = 2.0
FEWEST_SHARED, SHARE_FOUND = 6, 0.5
COPIES_NAMED = 3
MOST_MARKS, FEWEST_MARKS, MARKS_TOGETHER = 250, 40, 500_000
"""Of a field, and of all fields together, where there are more than 2 000: chosen. Forty marks find a picture taken
twice, and where a quarter is shared some ten of them agree."""


@dataclass(frozen=True)
class Overlap:
    """Fields `first` and `second` (numbers) show the same place; what lies at p in one lies at p + shift in the other.

    `share` is the part of the smaller frame that both show, 0 to 1.
    """

    first: int
    second: int
    shift_x_px: float
    shift_y_px: float
    share: float


def find_overlaps(places: Sequence[FloatArray]) -> list[Overlap]:
    """Pairs of fields that show the same place, not turned and at the same magnification.

    Parameters
    ----------
    places
        For each field (n, 2) centroids of its carbides, px.
    """
    if len(places) < 2:
        return []  # spares one field the loading of scipy
    found: dict[tuple[int, int], Overlap] = {}
    for first, second, shift in _candidates(places):
        if (first, second) not in found:
            overlap = _compared(places, first, second, shift)
            if overlap is not None:
                found[first, second] = overlap
    return [found[pair] for pair in sorted(found)]


def _candidates(places: Sequence[FloatArray]) -> Iterator[tuple[int, int, FloatArray]]:
    """Pairs of fields with VOTES marks that agree on a shift, and that shift."""
    pairs = [np.empty((0, 2), np.int64)]
    shifts = [np.empty((0, 2))]
    for field, place, mark in _all_marks(places):
        for offset in (0.0, CELL_PX / 2):
            one, other = _alike(np.floor((mark + offset) / CELL_PX).astype(np.int64), field)
            pairs.append(np.stack([field[one], field[other]], axis=1))
            shifts.append(place[other] - place[one])
    pair, shift = np.concatenate(pairs), np.concatenate(shifts)
    for offset in (0.0, SHIFT_CELL_PX / 2):
        cell = np.floor((shift + offset) / SHIFT_CELL_PX).astype(np.int64)
        key, own, votes = np.unique(_packed(np.hstack([pair, cell])), return_inverse=True, return_counts=True)
        # A mark may be found in both grids and with two and three neighbours.
        order = np.argsort(own, kind="stable")
        starts = np.searchsorted(own[order], np.arange(len(key)))
        for k in np.flatnonzero(votes >= VOTES):
            voters = order[starts[k] : starts[k] + votes[k]]
            yield int(pair[voters[0], 0]), int(pair[voters[0], 1]), np.median(shift[voters], axis=0)


def _all_marks(places: Sequence[FloatArray]) -> Iterator[tuple[NDArray[np.intp], FloatArray, FloatArray]]:
    """Field (m,), place (m, 2) and mark (m, 2·neighbours) of carbides whose neighbours surely lie within the frame."""
    from scipy.spatial import cKDTree

    most = min(MOST_MARKS, max(FEWEST_MARKS, MARKS_TOGETHER // len(places)))
    found: dict[int, list[tuple[NDArray[np.intp], FloatArray, FloatArray]]] = {k: [] for k in NEIGHBOURS}
    for number, place in enumerate(places):
        if not len(place):
            continue
        distance, near = map(np.asarray, cKDTree(place).query(place, k=max(NEIGHBOURS) + 1))
        to_edge = np.minimum(place - place.min(axis=0), place.max(axis=0) - place).min(axis=1)
        for neighbours, marks in found.items():
            sure = np.flatnonzero(distance[:, neighbours] <= to_edge)
            # The loneliest carbides of a field have the marks that are told apart best.
            sure = sure[np.argsort(-distance[sure, 1], kind="stable")[:most]]
            about = (place[near[sure, 1 : neighbours + 1]] - place[sure, None]).reshape(-1, 2 * neighbours)
            marks.append((np.full(len(sure), number), place[sure], about))
    for neighbours in NEIGHBOURS:
        marks = found.pop(neighbours)
        if marks:
            fields, at, about = (np.concatenate(columns) for columns in zip(*marks, strict=True))
            yield fields, at, about


def _alike(cells: NDArray[np.int64], field: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Numbers of marks in the same cell and of different fields, the lower field first; crowded cells tell nothing."""
    key = _packed(cells)
    order = np.lexsort((field, key))
    key = key[order]
    _, start, count = np.unique(key, return_index=True, return_counts=True)
    one, other = [np.empty(0, np.intp)], [np.empty(0, np.intp)]
    for apart in range(1, CROWDED):
        first = start[(count > apart) & (count <= CROWDED)]
        size = count[(count > apart) & (count <= CROWDED)]
        if not len(first):
            break
        steps = _ranges(first, size - apart)
        one.append(order[steps])
        other.append(order[steps + apart])
    a, b = np.concatenate(one), np.concatenate(other)
    keep = field[a] != field[b]
    return a[keep], b[keep]


def _ranges(first: NDArray[np.intp], size: NDArray[np.intp]) -> NDArray[np.intp]:
    """All of first[i], first[i] + 1, ... (size[i] of them), one after the other."""
    ends = np.cumsum(size)
    return np.arange(ends[-1]) - np.repeat(ends - size - first, size)


def _packed(cells: NDArray[np.int64]) -> NDArray[np.uint64]:
    """One number a row; rows that differ share one by chance once in 2**64."""
    key = np.zeros(len(cells), np.uint64)
    for column in cells.T:
        key = (key ^ column.astype(np.uint64)) * np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
    return key


def _compared(places: Sequence[FloatArray], first: int, second: int, shift: FloatArray) -> Overlap | None:
    """Compare all carbides of the area that both fields show."""
    from scipy.spatial import cKDTree

    a, b = places[first] + shift, places[second]
    low = np.maximum(a.min(axis=0), b.min(axis=0))
    high = np.minimum(a.max(axis=0), b.max(axis=0))
    if (high <= low).any():
        return None
    inside = ((a >= low) & (a <= high)).all(axis=1)
    distance, near = (np.atleast_1d(found) for found in cKDTree(b).query(a[inside]))
    close = distance < CLOSE_PX
    others = int(((b >= low) & (b <= high)).all(axis=1).sum())
    if close.sum() < FEWEST_SHARED or close.sum() < SHARE_FOUND * max(int(inside.sum()), others):
        return None
    exact = shift + np.median(b[near[close]] - a[inside][close], axis=0)
    smaller = min(float(np.prod(np.ptp(p, axis=0))) for p in (a, b))
    return Overlap(first, second, float(exact[0]), float(exact[1]), min(1.0, float(np.prod(high - low)) / smaller))


Name = tuple[str, str]
# Every field of the study carries them.
SCALES_NAMED = 6
NEEDED = ("specimen", "field", "x_um", "y_um", "ecd_um")
SMALLEST_ECD_PX = 4.0
WHOLE, STILL_PX = 0.9, 1.0


def check_across(
    particles: Iterable[pd.DataFrame], fields: pd.DataFrame, pictures: Mapping[Name, str]
) -> dict[Name, list[Issue]]:
    """Issues of fields that only show beside other fields.

    Parameters
    ----------
    particles
        Carbides of the whole study, in as many parts as there are: specimen, field, x_um, y_um, ecd_um.
    pictures
        What tells one picture from another (hash, page, part of a mosaic), by specimen and field.

    Returns
    -------
    By specimen and field, those with an issue only.
    """
    every = fields[fields["carbide_class"] == "all"].reset_index(drop=True)
    found: dict[Name, list[Issue]] = {}
    same_place = _same_place(particles, every, pictures)
    for name, one in (*same_place, *_focus(every), *_magnification(every), *_classes(fields)):
        found.setdefault(name, []).append(one)
    return found


def _names(every: pd.DataFrame) -> list[Name]:
    return list(zip(every["specimen"].astype(str), every["field"].astype(str), strict=True))


def _same_place(
    particles: Iterable[pd.DataFrame], every: pd.DataFrame, pictures: Mapping[Name, str]
) -> Iterator[tuple[Name, Issue]]:
    names = _names(every)
    copies = {name: twins for twins in _grouped(names, pictures) for name in twins}
    places = _places(particles, every) if len(every) > 1 else []
    for number, name in enumerate(names):
        if name in copies and name != copies[name][0]:
            places[number] = np.empty((0, 2))  # what its first copy shows is found on that one
    parts: dict[Name, list[tuple[Name, float]]] = {}
    for overlap in find_overlaps(places):
        one, other = names[overlap.first], names[overlap.second]
        still = np.hypot(overlap.shift_x_px, overlap.shift_y_px) < STILL_PX
        if still and overlap.share > WHOLE:
            both = list(dict.fromkeys(copies.get(one, [one]) + copies.get(other, [other])))
            copies |= dict.fromkeys(both, both)
        else:
            parts.setdefault(one, []).append((other, overlap.share))
            parts.setdefault(other, []).append((one, overlap.share))
    for name, twins in copies.items():
        # A few by name: ten thousand copies that name each other would fill the memory.
        others = [twin for twin in twins[: COPIES_NAMED + 1] if twin != name][:COPIES_NAMED]
        yield name, issue("duplicated", others=others, fields=len(twins))
    for name, shared in parts.items():
        most = max(share for _, share in shared)
        yield name, issue("overlapping", others=[other for other, _ in shared], share=most)


def _grouped(names: list[Name], pictures: Mapping[Name, str]) -> list[list[Name]]:
    groups: dict[str, list[Name]] = {}
    for name in names:
        if pictures.get(name):
            groups.setdefault(pictures[name], []).append(name)
    return [group for group in groups.values() if len(group) > 1]


def _places(particles: Iterable[pd.DataFrame], every: pd.DataFrame) -> list[np.ndarray]:
    """Centroids (n, 2) of the carbides of each field that are large enough to be found on any picture of it, px."""
    place = {name: number for number, name in enumerate(_names(every))}
    size = every["um_per_px"].to_numpy(float)
    found = [_places_of_part(part, place, size) for part in particles if len(part)]
    if not found:
        return [np.empty((0, 2))] * len(every)
    number, points = (np.concatenate(columns) for columns in zip(*found, strict=True))
    del found
    ends = np.cumsum(np.bincount(number, minlength=len(every)))
    if (np.diff(number) < 0).any():
        points = points[np.argsort(number, kind="stable")]
    return np.split(points, ends[:-1]) if len(every) else []


def _places_of_part(
    part: pd.DataFrame, place: Mapping[Name, int], size: FloatArray
) -> tuple[NDArray[np.int32], FloatArray]:
    """(n,) field and (n, 2) place of the carbides of some rows of the table, px."""
    # By category, as most rows repeat the name of the row above.
    specimen, field = (_by_name(part[c]) for c in ("specimen", "field"))
    fields = max(1, len(field.categories))
    pair = specimen.codes.to_numpy(np.int64) * fields + field.codes.to_numpy(np.int64)
    known, own = np.unique(pair, return_inverse=True)
    named = [(str(specimen.categories[k // fields]), str(field.categories[k % fields])) for k in known]
    number = np.array([place.get(name, -1) for name in named], np.int32)[own]
    px = size[number]
    keep = (number >= 0) & (part["ecd_um"].to_numpy(float) >= SMALLEST_ECD_PX * px)
    points = np.stack([part[c].to_numpy(float)[keep] / px[keep] for c in ("x_um", "y_um")], axis=1)
    return number[keep], points


def _by_name(names: pd.Series) -> Any:
    """Return numbers and texts of a column of names."""
    return (names if names.dtype == "category" else names.astype(str).astype("category")).cat


def _focus(every: pd.DataFrame) -> Iterator[tuple[Name, Issue]]:
    for _, own in every.groupby("specimen", sort=False):
        blur = blur_of_resolved_px((own["resolved_diameter_um"] / own["um_per_px"]).to_numpy(float))
        blur = np.where(own["particles"].to_numpy(float) >= FEWEST_CARBIDES, blur, np.nan)
        if different_scales(own["um_per_px"].to_numpy(float)):
            continue
        soft = softer_than_others(blur)
        for name, px in zip(np.array(_names(own), object)[soft], blur[soft], strict=True):
            yield (name[0], name[1]), issue("softer_than_others", blur_px=px, others_px=np.nanmedian(blur))


def _magnification(every: pd.DataFrame) -> Iterator[tuple[Name, Issue]]:
    for _, own in every.groupby("specimen", sort=False):
        share, size, number = (own[n].to_numpy(float) for n in ("area_fraction", "mean_ecd_um", "number_per_mm2"))
        off = another_magnification(share, size, number)
        for name, factor in zip(_names(own), off, strict=True):
            if np.isfinite(factor):
                yield name, issue("odd_magnification", size_factor=factor, number_factor=1 / factor**2)
    if different_scales(every["um_per_px"].to_numpy(float)):
        sizes = every.groupby("specimen", sort=False)["um_per_px"].agg(["min", "max"])
        some = [(str(specimen), low, high) for specimen, low, high in list(sizes.itertuples())[:SCALES_NAMED]]
        found = issue("scales_differ", sizes=some)
        yield from ((name, found) for name in _names(every))


def _classes(fields: pd.DataFrame) -> Iterator[tuple[Name, Issue]]:
    """Fields on which another number of classes was found than on most of the specimen's."""
    found = fields[fields["carbide_class"].astype(str).str.fullmatch(rf"{UNNAMED}( \d+)?")]
    for specimen, own in found.groupby("specimen", sort=False):
        counts = own.groupby("field", sort=False)["carbide_class"].count()
        usual = int(counts.mode().iloc[0])
        if len(counts) < FEWEST_FIELDS:
            continue
        for field, count in counts[counts != usual].items():
            yield (str(specimen), str(field)), issue("other_class_count", found=count, usual=usual)
