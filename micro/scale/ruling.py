"""A ruling's lines: evened light, direction, positions."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.errors import InputError
from micro.scale.detection import FoundLines, find_lines, fit_segments
from micro.scale.pitch import LEAST_LINES, PitchFit, completed, finer_ruling, fit_pitch, number_lines
from micro.statistics.robust import SPREAD_OF_NORMAL

DEGREE = 3
LEAST_LIGHT = 0.2  # of the mean: no polynomial is trusted below


def even_light(picture: NDArray[np.float32], found: FoundLines) -> NDArray[np.float32]:
    """Divide the picture by its light, a polynomial through the bright level at every line seen.

    Light that falls off across a line shifts it towards the brighter side; opposite ways at opposite sides of
    the field, which would pass for a change of scale.

    Parameters
    ----------
    picture
        (rows, columns) grey levels.
    found
        Lines with their segments; the bright level is the line's where it is bright, else the matrix beside it.
    """
    segments = found.segments
    bright = segments.background + np.maximum(segments.height, 0)
    x, y, level = segments.x[found.seen], np.broadcast_to(segments.y, bright.shape)[found.seen], bright[found.seen]
    rows, columns = picture.shape
    basis = np.polynomial.polynomial.polyvander2d(2 * x / columns - 1, 2 * y / rows - 1, (DEGREE, DEGREE))
    low = np.add.outer(np.arange(DEGREE + 1), np.arange(DEGREE + 1)) <= DEGREE
    terms = np.zeros((DEGREE + 1, DEGREE + 1))
    terms[low] = _robust_fit(basis[:, low.ravel()], level)
    light = np.polynomial.polynomial.polygrid2d(
        2 * (np.arange(rows) + 0.5) / rows - 1, 2 * (np.arange(columns) + 0.5) / columns - 1, terms.T
    )
    mean = float(np.mean(level))
    if mean <= 0:
        return picture
    return picture / np.clip(light / mean, LEAST_LIGHT, None).astype(np.float32)


def _robust_fit(basis: NDArray, level: NDArray) -> NDArray:
    kept = np.ones(len(level), bool)
    for _ in range(3):
        terms = np.linalg.lstsq(basis[kept], level[kept], rcond=None)[0]
        off = np.abs(level - basis @ terms)
        kept = off <= 4 * SPREAD_OF_NORMAL * np.median(off) + 1e-9
    return terms


FloatArray = NDArray[np.float64]
STEP_DEG = 0.25
LOWEST_CYCLES = 4  # a ruling of five lines has four pitches in the picture
HIGHEST_FREQUENCY = 0.35
NEIGHBOURS_DEG = 5.0
CANDIDATES = 4


def ruling_directions(grey: NDArray[np.float32], least: float = 0.0, of_slopes: bool = False) -> FloatArray:
    """Directions across which parallel lines may lie, the most likely first.

    Parameters
    ----------
    grey
        (rows, columns) picture.
    least
        Energy of a direction that is asked, over that of the usual one.
    of_slopes
        Ask the spectrum of the slopes of the grey: an edge, such as that of a ruled plate, has less than lines have.

    Returns
    -------
    FloatArray
        (n,) normals of the lines, degrees from the horizontal, counter-clockwise as seen, 0 to 180.
    """
    energy = energy_by_direction(grey, of_slopes)
    around = int(NEIGHBOURS_DEG / STEP_DEG)
    wrapped = np.concatenate([energy[-around:], energy, energy[:around]])
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, 2 * around + 1)
    peaks = np.flatnonzero((energy == windows.max(axis=1)) & (energy > least * np.median(energy)))
    peaks = peaks[np.argsort(-energy[peaks])][:CANDIDATES]
    before, top, after = energy[peaks - 1], energy[peaks], energy[(peaks + 1) % len(energy)]
    bend = before - 2 * top + after
    shift = np.divide(before - after, 2 * bend, out=np.zeros(len(peaks)), where=bend < 0)
    return np.asarray((peaks + shift) * STEP_DEG % 180, np.float64)


def energy_by_direction(grey: NDArray[np.float32], of_slopes: bool = False) -> FloatArray:
    """(720,) energy of the spectrum along rays through zero, a quarter of a degree apart, from the horizontal on.

    It is the variance of the picture's projection on that direction (projection-slice theorem); parallel lines put a
    sharp maximum there. Directions are counter-clockwise as seen.

    Parameters
    ----------
    grey
        (rows, columns) picture.
    of_slopes
        Of the slopes of the grey, squares of frequency times its own.
    """
    power = _power_spectrum(grey)
    rows, columns = power.shape
    angle = np.radians(np.arange(0, 180, STEP_DEG))[:, None]
    frequency = np.arange(LOWEST_CYCLES / max(power.shape), HIGHEST_FREQUENCY, 0.5 / max(power.shape))[None, :]
    x = columns // 2 + frequency * np.cos(angle) * columns
    y = rows // 2 - frequency * np.sin(angle) * rows
    along = cv2.remap(power, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    return (along * frequency**2 if of_slopes else along).sum(axis=1, dtype=float)


def _power_spectrum(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    """Power by frequency, zero in the middle; the edges of the picture are faded out first."""
    rows, columns = grey.shape
    fade = np.outer(np.hanning(rows), np.hanning(columns)).astype(np.float32)
    padded = np.zeros((cv2.getOptimalDFTSize(rows), cv2.getOptimalDFTSize(columns)), np.float32)
    padded[:rows, :columns] = (grey - grey.mean()) * fade
    spectrum = cv2.dft(padded, flags=cv2.DFT_COMPLEX_OUTPUT)
    return np.fft.fftshift(spectrum[..., 0] ** 2 + spectrum[..., 1] ** 2)


WHERE = "stage micrometer"
SMALLEST_SIDE = 40
LEAST_SHARE_NUMBERED = 0.7
# Lines that show as two edges each fill half of a ruling of some finer pitch.
LEAST_SHARE_ADJACENT = 0.6
# Micrometers are divided by two, five or ten (common practice, no source): what repeats later may be one of theirs.
MOST_IN_A_PATTERN = 10
# Of the places that a pattern leaves empty, or fills, so many are at most, or at least, as some lines are not seen and
# some strange ones are (chosen: the least that told edges and fringes from drawn rulings with lines missing).
SHARE_OF_EMPTY, SHARE_OF_FILLED = 0.1, 0.4
# Contrast of the fainter fifth of lines over the stronger fifth of their fringes, at least (chosen: lines of one kind
# differ by less than their noise).
STRONGER = 1.2
# Of the pitch: lines at random distances that seem even are 0.03 to 0.12 off, those of a ruling 0.003.
MOST_UNEVEN = 0.02
MOST_WOBBLE = 0.25  # of the half width
LINE_END_STRIPS = 2
LEAST_RIVAL = 0.25
CROSSING_DEG = 5.0
# Lines of a real second ruling lie across the ray of the spectrum that led to them; pieces of the first one drift off.
MOST_OFF_THE_RAY_DEG = 2.0


@dataclass(frozen=True, eq=False)
class Ruling:
    """The ruling found.

    Parameters
    ----------
    lines
        The lines and the strips they were seen in, of the picture or its middle, transposed where `transposed`.
    transposed
        True where the lines lie nearer to the horizontal than to the vertical.
    """

    fit: PitchFit
    lines: FoundLines
    transposed: bool

    @property
    def tilt_deg(self) -> float:
        """Lines from the nearest axis of the picture, counter-clockwise as seen, within ±45°."""
        tilt = math.degrees(math.atan(self.fit.slope))
        return -tilt if self.transposed else tilt

    @property
    def tilt_standard_uncertainty_deg(self) -> float:
        """Of `tilt_deg`, from the scatter of the segments of each line."""
        return math.degrees(self.fit.slope_standard_uncertainty / (1 + self.fit.slope**2))


def find_ruling(grey: NDArray, least: float = 0.0) -> Ruling:
    """Find the one even ruling of a picture.

    Parameters
    ----------
    grey
        (rows, columns) picture; lines bright or dark, of several lengths, in any direction.
    least
        Energy of the spectrum across lines that are looked for, over that of the usual direction.

    Raises
    ------
    InputError
        Without a ruling, with too few lines, uneven spacing, or a second ruling across the first.
    """
    refused: list[FoundLines] = []
    for picture, rays in _looks(_checked(grey), least):
        even, candidates = _even_rulings(picture, rays)
        if even:
            break
        refused += [lines for lines, _ in candidates]
    else:
        raise _no_ruling(refused)
    even.sort(key=lambda one: -_ruled_length(one[0]))
    rivals = [other for other in even[1:] if _ruled_length(other[0]) > LEAST_RIVAL * _ruled_length(even[0][0])]
    gaps = [_between(_direction(*even[0]), _direction(*rival)) for rival in rivals]
    if max(gaps, default=0) > CROSSING_DEG:
        raise InputError(WHERE, f"two rulings cross, {max(gaps):.0f}° apart", "photograph a plain ruling, not a grid")
    lines, transposed = even[0]
    upright = picture.T if transposed else picture
    level = _levelled(upright, _finest(upright, lines))
    return Ruling(fit_pitch(level), level, transposed)


def _looks(picture: NDArray[np.float32], least: float) -> Iterator[tuple[NDArray[np.float32], FloatArray]]:
    """Give the picture, and the rays to ask; then, where that shows no ruling, those of its middle, then that alone.

    Covers, and the border of a round view, lie at the sides. Where fields are looked through (`least`), the first do.
    """
    yield picture, ruling_directions(picture, least)
    if not least:
        rows, columns = (side // 5 for side in picture.shape)
        middle = np.ascontiguousarray(picture[rows:-rows, columns:-columns])
        rays = ruling_directions(middle, of_slopes=True)
        yield picture, rays
        yield middle, rays


def _even_rulings(
    picture: NDArray[np.float32], rays: FloatArray
) -> tuple[list[tuple[FoundLines, bool]], list[tuple[FoundLines, bool]]]:
    """Return the rulings across these rays, and all lines; each with whether it lies in the transposed picture."""
    candidates = [_lines_across(picture, ray) for ray in rays]
    even = [
        found
        for ray, found in zip(rays, candidates, strict=True)
        if _is_even(found[0]) and _between(_direction(*found), ray) <= _width_of_ray_deg(found[0])
    ]
    return even, candidates


def _width_of_ray_deg(found: FoundLines) -> float:
    """How far the lines may lie off their ray: half the width of its peak, the pitch over their length, from 2° on."""
    length = float(np.median(found.seen.sum(axis=1))) * float(np.median(np.diff(found.segments.y)))
    pitch = float(np.median(np.diff(found.lines.x)))
    return min(max(MOST_OFF_THE_RAY_DEG, math.degrees(pitch / length) / 2), NEIGHBOURS_DEG)


def _checked(grey: NDArray) -> NDArray[np.float32]:
    if grey.ndim != 2:
        raise InputError(WHERE, f"has {grey.ndim} dimensions, not rows and columns", "give one grey picture")
    if min(grey.shape) < SMALLEST_SIDE:
        size = f"{grey.shape[1]} x {grey.shape[0]} px"
        raise InputError(WHERE, f"is only {size}", f"give at least {SMALLEST_SIDE} px each way")
    picture = np.ascontiguousarray(grey, np.float32)
    if not np.isfinite(picture).all():
        raise InputError(WHERE, "holds values that are not finite", "export the picture again, without NaN or infinity")
    if picture.min() == picture.max():
        raise InputError(WHERE, f"is the same grey, {picture.flat[0]:g}, everywhere", "photograph a ruled micrometer")
    return picture


def _lines_across(picture: NDArray[np.float32], normal_deg: float) -> tuple[FoundLines, bool]:
    """Lines with that normal, and whether they were looked for in the transposed picture."""
    normal = math.radians(normal_deg)
    transposed = 45 < normal_deg < 135
    upright, slope = (picture.T, 1 / math.tan(normal)) if transposed else (picture, math.tan(normal))
    found = find_lines(upright, slope)
    if len(found) >= LEAST_LINES and not _is_even(found) and _is_straight(found):
        whole = completed(upright, found)
        found = whole if _is_even(whole) else _one_of_each(found)
    return found, transposed


def _one_of_each(found: FoundLines) -> FoundLines:
    """One of every two or three lines, where each such part is even: edges of wide lines, or lines with fringes."""
    for many in (2, 3):
        parts = [found.of(slice(start, None, many)) for start in range(many)]
        if all(_is_even(part) for part in parts):
            return max(parts, key=_strength)
    return found


def _strength(found: FoundLines) -> float:
    """Median contrast; 0 where there is no line."""
    return float(np.median(np.abs(found.segments.height[found.seen]))) if found.seen.any() else 0.0


def _is_even(found: FoundLines) -> bool:
    """At least five lines, nearly all of them numbered, most of them next to one another, at one distance."""
    if len(found) < LEAST_LINES:
        return False
    number, fits = number_lines(found.lines.x)
    if fits.sum() < LEAST_LINES:
        return False
    adjacent = np.diff(number[fits]) == 1
    return bool(
        fits.mean() >= LEAST_SHARE_NUMBERED
        and adjacent.mean() >= LEAST_SHARE_ADJACENT
        and _unevenness(number[fits], found.lines.x[fits]) <= MOST_UNEVEN
        and _side_by_side(found.seen[fits])
        and not _is_a_pattern(number[fits])
        and not _is_in_threes(number[fits], found.of(fits))
        and _is_straight(found)
    )


def _is_a_pattern(number: NDArray[np.intp]) -> bool:
    """Whether the same places are filled and the same ones empty in every so many: edges or fringes of fewer lines."""
    places = np.arange(number.max() + 1)
    for period in range(3, min(MOST_IN_A_PATTERN, len(places) // 4) + 1):
        share = np.bincount(number % period, minlength=period) / np.bincount(places % period)
        if share.min() < SHARE_OF_EMPTY and (share > SHARE_OF_FILLED).sum() > 1 and share.max() > LEAST_SHARE_NUMBERED:
            return True
    return False


def _is_in_threes(number: NDArray[np.intp], found: FoundLines) -> bool:
    """Whether every third line is the strongest: no micrometer is divided by three, but lines with fringes look so."""
    if number.max() < 3 * LEAST_LINES:
        return False
    strong = np.ma.median(np.ma.array(np.abs(found.segments.height), mask=~found.seen), axis=1).filled(0.0)
    weakest, strongest = (
        [np.quantile(strong[number % 3 == rest], share) if (number % 3 == rest).any() else 0.0 for rest in range(3)]
        for share in (0.2, 0.8)
    )
    first = int(np.argmax(weakest))
    return bool(weakest[first] > STRONGER * max(strongest[:first] + strongest[first + 1 :]))


def _unevenness(number: NDArray[np.intp], x: FloatArray) -> float:
    """Median of how far neighbouring lines are off their distance, over the pitch; a slow drift does not count."""
    pitch, _ = np.polyfit(number, x, 1)
    return float(np.median(np.abs(np.diff(x) / pitch - np.diff(number))))


def _is_straight(found: FoundLines) -> bool:
    """Whether the strips agree where a line lies: within a quarter of its half width, or as well as noise lets them."""
    offset = np.where(found.seen, found.segments.offset, np.nan)
    scatter = SPREAD_OF_NORMAL * np.nanmedian(np.abs(offset - np.nanmedian(offset, axis=1, keepdims=True)))
    error, height = (part[found.seen] for part in (found.segments.height_error, found.segments.height))
    noise = np.median(error / np.abs(height))
    return bool(scatter <= found.lines.sigma * max(MOST_WOBBLE, 3 * noise))


def _side_by_side(seen: NDArray[np.bool_]) -> bool:
    """Whether most lines run beside their neighbours, not above or below them."""
    return bool((seen[1:] & seen[:-1]).any(axis=1).mean() >= LEAST_SHARE_NUMBERED)


def _ruled_length(found: FoundLines) -> float:
    """Lines times their median length, in strips: one long scratch among short stubs does not count."""
    return len(found) * float(np.median(found.seen.sum(axis=1)))


def _direction(found: FoundLines, transposed: bool) -> float:
    """Return the normal of the lines, degrees from the horizontal, counter-clockwise as seen."""
    tilt = math.degrees(math.atan(found.lines.slope))
    return 90 - tilt if transposed else tilt


def _between(one_deg: float, other_deg: float) -> float:
    gap = abs(one_deg - other_deg) % 180
    return min(gap, 180 - gap)


def _no_ruling(candidates: list[FoundLines]) -> InputError:
    most = max((len(found) for found in candidates), default=0)
    if most == 0:
        return InputError(
            WHERE, "no ruling found", "photograph the ruled lines in focus, so that they fill the picture"
        )
    if most < LEAST_LINES:
        return InputError(
            WHERE,
            f"{most} line{'s' if most > 1 else ''} found, {LEAST_LINES} needed",
            "move more of the ruling into the picture, or use a finer one",
        )
    return InputError(
        WHERE,
        f"no ruling found: {most} lines, but not evenly spaced",
        f"photograph one plain ruling of at least {LEAST_LINES} lines, in focus",
    )


def _finest(picture: NDArray[np.float32], found: FoundLines) -> FoundLines:
    finer = finer_ruling(picture, found)
    if finer is None:
        return found
    lines, expected = finer
    if not _is_even(lines) or len(lines) < LEAST_SHARE_NUMBERED * expected:
        raise InputError(
            WHERE,
            f"{len(found)} lines found, and fainter or shorter ones between them that cannot be counted",
            "photograph the ruling sharper, or turned so that the lines lie along the picture's edges",
        )
    return lines


def _levelled(picture: NDArray[np.float32], found: FoundLines) -> FoundLines:
    """Return the same lines, their ends cut off, fitted once more after the uneven light was divided out."""
    level = even_light(picture, found)
    return replace(found, segments=fit_segments(level, found.lines), seen=_without_ends(found.seen))


def _without_ends(seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Drop the first and last strips of every line: the end of a tilted line is lopsided."""
    rank = seen.cumsum(axis=1)
    count = rank[:, -1:]
    cut = np.minimum(LINE_END_STRIPS, (count - 2) // 2)
    return seen & (rank > cut) & (rank <= count - cut)
