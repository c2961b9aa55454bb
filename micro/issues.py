"""Every trouble of a carbide or a field, once: its flag, its severity and its words."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """One kind of trouble; `bit` is its place in the flag words of segmentation and tables."""

    bit: int
    name: str
    text: str
    advice: str


CARBIDE_FLAGS = (
    Flag(1, "edge", "cut by the edge of the frame", "left out of sizes; the weights make up for it"),
    Flag(2, "small", "below the resolved diameter", "raise the magnification to measure its shape"),
    Flag(4, "split", "separated from a neighbour by watershed", "check the cut in the outline picture"),
    Flag(8, "saturated", "clipped grey levels inside", "lower the exposure"),
    Flag(16, "areas_differ", "outline area and contrast area disagree", "look for relief, halo or uneven etch"),
)

FIELD_FLAGS = (
    Flag(
        1,
        "no_second_phase",
        "no second phase found",
        "check polarity, etch and focus if carbides are visible",
    ),
    Flag(2, "saturated", "more than 1 % of the pixels are saturated", "lower the exposure"),
    Flag(4, "areas_differ", "outline area and contrast area disagree", "look for relief, halo or uneven etch"),
    Flag(8, "unresolved", "much of the area lies below the resolved diameter", "raise the magnification"),
    Flag(16, "soft_focus", "edges are blurred", "refocus"),
    Flag(
        32,
        "excluded",
        "parts of the picture were left out: scratches, pits, dust or other marks that are not carbide",
        "look at the hatched parts of the outline picture",
    ),
    Flag(
        64,
        "unreliable_levels",
        "the grey levels do not separate matrix and carbide",
        "pin the levels or improve the etch",
    ),
    Flag(128, "motion_blur", "edges are blurred in one direction", "let the stage rest, or shorten the exposure"),
    Flag(256, "compressed", "lossy compression changed the grey levels", "save pictures as TIFF or PNG"),
    Flag(512, "uneven_etch", "the contrast of the carbides changes over the field", "etch again, more evenly"),
    Flag(1024, "duplicated", "the same picture is given twice", "leave one out"),
    Flag(2048, "overlapping", "another field shows a part of the same place", "leave one of the two out"),
    Flag(4096, "implausible_size", "carbides or edges do not fit the scale", "check the scale and the objective"),
    Flag(8192, "scale_disagrees", "the file states another size of a pixel", "find out which of the two is right"),
    Flag(
        16384,
        "odd_magnification",
        "sizes and numbers fit another magnification than that of the other fields",
        "check the objective this field was taken with",
    ),
    Flag(
        32768,
        "scales_differ",
        "the fields of the study have different sizes of a pixel",
        "compare at one magnification, or say what is too small to be seen",
    ),
    Flag(
        65536,
        "stage_micrometer",
        "straight lines at one distance: the picture shows a stage micrometer, not a field",
        "leave it out, and find the scale on it with micro calibrate",
    ),
)


def flag_names(word: int, flags: tuple[Flag, ...]) -> list[str]:
    """Names of the flags set in a flag word.

    Examples
    --------
    >>> flag_names(1 + 4, CARBIDE_FLAGS)
    ['edge', 'split']
    """
    return [flag.name for flag in flags if word & flag.bit]


def bit(name: str, flags: tuple[Flag, ...]) -> int:
    """Bit of the flag of that name; KeyError where there is none."""
    return {flag.name: flag.bit for flag in flags}[name]


def message(name: str, flags: tuple[Flag, ...]) -> str:
    """Text and advice of the flag of that name; KeyError where there is none."""
    return {flag.name: f"{flag.text} ({flag.advice})" for flag in flags}[name]


@dataclass(frozen=True)
class Trouble:
    """Name of its flag in `micro.issues.FIELD_FLAGS`, and what was found, with the values and what to do."""

    flag: str
    text: str
