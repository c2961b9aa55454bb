"""Numbers as text with nine figures, many at once: the characters of `format(value, ".9g")`, three times as fast."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

FIGURES = 9
WIDTH = 16
"""Characters of a cell at most: sign, 0.000, nine figures and a point; -1.23456789e-308 has as many."""
LOWEST, HIGHEST = -4, FIGURES - 1
"""Powers of ten that are written without an exponent (as the language's format does)."""
UNSURE = 1e-6
"""From half a unit of the last figure: nearer to it the product, off by 1e-7 at most, does not tell how to round."""
POWERS = 10.0 ** np.arange(HIGHEST - LOWEST + 1)
THREE = np.array([f"{number:03d}" for number in range(1000)], "S3").view(np.uint8).reshape(1000, 3)
POINT, MINUS, ZERO = b".-0"
NOTHING = 255
"""Is in no text in UTF-8 (RFC 3629)."""


def figures(values: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Write numbers with nine figures.

    Parameters
    ----------
    values
        (n,) of any size; NaN is written as nothing.

    Returns
    -------
    numpy.ndarray
        (n, WIDTH) characters; NOTHING stands before, between and after them.
    """
    size = np.abs(values)
    with np.errstate(divide="ignore", invalid="ignore"):
        plain = (size >= 10.0**LOWEST) & (size < 10.0**HIGHEST)
        size = np.where(plain, size, 1.0)
        power = np.floor(np.log10(size)).astype(np.int8)
    scaled = size * POWERS.take(HIGHEST - power)
    whole = np.rint(scaled)
    # Where the logarithm erred, or rounding leads to the next power, as near to half a unit: one by one.
    plain &= (np.abs(scaled - whole) < 0.5 - UNSURE) & (whole >= POWERS[HIGHEST]) & (whole < 10 * POWERS[HIGHEST])
    # Numbers of one power of ten lie together while their figures are placed: small whole numbers sort by counting.
    order = np.argsort(power, kind="stable")
    number = np.where(plain, whole, POWERS[HIGHEST]).astype(np.int32).take(order)
    placed = _placed(number, np.searchsorted(power.take(order), range(LOWEST, HIGHEST + 1)))
    text = np.empty((len(values), WIDTH), np.uint8)
    text.view(np.complex128).ravel()[order] = placed.view(np.complex128).ravel()  # 16 bytes at a time
    text[:, 0] = np.where(np.signbit(values), MINUS, NOTHING)
    zero, unknown = values == 0, np.isnan(values)
    text[zero, 1:] = np.frombuffer(bytes([ZERO]).ljust(WIDTH - 1, bytes([NOTHING])), np.uint8)
    text[unknown] = NOTHING
    others = np.flatnonzero(~(plain | zero | unknown))
    if len(others):
        text[others] = padded([f"{value:.9g}".encode() for value in values[others].tolist()], WIDTH)
    return text


def padded(texts: list[bytes], width: int) -> NDArray[np.uint8]:
    """(n, width) bytes of texts with NOTHING after them."""
    every = b"".join(text.ljust(width, bytes([NOTHING])) for text in texts)
    return np.frombuffer(every, np.uint8).reshape(len(texts), width)


def _placed(number: NDArray[np.int32], first: NDArray[np.intp]) -> NDArray[np.uint8]:
    """(n, WIDTH) characters of numbers of nine figures, without a sign.

    The first figure stands for a power of ten, which rises: `first` tells where that of each power from LOWEST begins.
    """
    thousands, last = np.divmod(number, 1000)
    digits = np.concatenate([THREE.take(three, axis=0) for three in (*np.divmod(thousands, 1000), last)], axis=1)
    text = np.full((len(number), WIDTH), NOTHING, np.uint8)
    ending = np.flatnonzero(digits[:, -1] == ZERO)
    for power, (start, stop) in enumerate(pairwise(first.tolist()), LOWEST):
        own, after = slice(start, stop), max(power + 1, 1)
        # Zeros at the end are left out, but for those before the point.
        zeros = ending[np.searchsorted(ending, start) : np.searchsorted(ending, stop)]
        tail = digits[zeros, after:]
        tail[np.logical_and.accumulate(tail[:, ::-1] == ZERO, axis=1)[:, ::-1]] = NOTHING
        digits[zeros, after:] = tail
        if power < 0:
            text[own, 1 : 2 - power] = np.frombuffer(b"0.000", np.uint8)[: 1 - power]
            text[own, 6 : 6 + FIGURES] = digits[own]
        else:
            text[own, 6 : 6 + after] = digits[own, :after]
            text[own, 6 + after] = np.where(digits[own, after] == NOTHING, NOTHING, POINT)
            text[own, 7 + after :] = digits[own, after:]
    return text
