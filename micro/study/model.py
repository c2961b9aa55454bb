"""The study: which specimens, which pictures, how they are measured."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from micro.address import Address
from micro.carbides import CarbideOverride
from micro.errors import InputError, spelled
from micro.image.micrograph import Box, Crop, Micrograph, SubField
from micro.segmentation.segmentation import SegmentationSettings


@dataclass(frozen=True)
class Field:
    """One picture of a specimen, and how it is read and segmented.

    `shown` is the picture as the user named it, from the study's folder or on the command line; `stem` names the
    field's files in the results folder; `sub_field` is the part of a mosaic that it is.
    """

    name: str
    image: Address | Path
    shown: str
    stem: str
    settings: SegmentationSettings
    crop_bottom_px: int | None = None
    page: int | None = None
    sub_field: SubField | None = None
    crop_px: Crop | None = None
    leave_out: tuple[Box, ...] = ()
    colour: str = "luminance"
    tone_curve: str = "linear"

    @property
    def reading(self) -> dict[str, Any]:
        """How the picture is read, as JSON holds it."""
        given = ("crop_bottom_px", "page", "colour", "tone_curve")
        return {name: getattr(self, name) for name in given} | {
            "crop_px": None if self.crop_px is None else asdict(self.crop_px),
            "leave_out": [asdict(box) for box in self.leave_out],
            "sub_field": None if self.sub_field is None else asdict(self.sub_field),
        }

    def read(self, **measured: Any) -> Micrograph:
        """Read the picture as a person is to see it; with `measured` also what only measuring asks of it.

        Raises
        ------
        InputError
            Where it cannot be read.
        """
        from micro.image.reading import read

        return read(
            self.image, name=self.name, page=self.page, crop_bottom_px=self.crop_bottom_px, sub_field=self.sub_field,
            crop_px=self.crop_px, colour=self.colour, **measured,
        )  # fmt: skip


@dataclass(frozen=True)
class Specimen:
    """One bar or coupon, seen on one plane.

    `rolling_deg` is in the picture, counter-clockwise from the horizontal; None: estimated from each field.
    `composition` is in wt %. A scale given here comes before the tags of the picture. `taught_by` are tallies of a
    point count, or kept maps, that teach the outlines; `outlines` says which are used: "own", "taught" or "better".
    With `detection` carbides of known size are set into some of its fields.
    `steel` and `heat_treatment`, a number by factor, are for the atlas.
    """

    name: str
    fields: tuple[Field, ...]
    route: str = ""
    plane: str = ""
    rolling_deg: float | None = None
    calibration: Path | None = None
    um_per_px: float | None = None
    binning: int = 1
    composition: Mapping[str, float] = field(default_factory=dict)
    taught_by: tuple[Path, ...] = ()
    outlines: str = "better"
    um_per_px_uncertainty: float | None = None
    detection: bool = False
    steel: str = ""
    heat_treatment: Mapping[str, float] = field(default_factory=dict)
    review: tuple[Path, ...] = ()
    """Files that the page of review saved; their acts change outlines before anything is measured."""
    cropped: bool = False


@dataclass(frozen=True)
class Study:
    """All that one run measures.

    `identity` tells the results of one study from those of another. `reference` names the specimen that the others are
    set against; empty: each against each. `carbides` come before the program's own ranges in the mass balance.
    """

    title: str
    specimens: tuple[Specimen, ...]
    identity: str
    path: Path | None = None
    coupons: Path | None = None
    messages: tuple[str, ...] = ()
    reference: str = ""
    carbides: tuple[CarbideOverride, ...] = ()

    @property
    def class_names(self) -> tuple[str, ...]:
        """Names of carbide classes in any specimen, each once, in the order of the study file."""
        every = (f.settings.class_names for s in self.specimens for f in s.fields)
        return tuple(dict.fromkeys(name for names in every for name in names))

    @property
    def is_taught(self) -> bool:
        """Whether any specimen has a count to learn from."""
        return any(specimen.taught_by for specimen in self.specimens)


LONGEST_STEM = 120
MOST_IN_FOLDER = 1000
"""Fields whose files lie side by side; those of longer studies are fanned out. Chosen: what people still look through,
and folders of all file systems are quick at."""
# A larger picture in fewer bytes than this is refused when it is read.
SMALLEST_MOSAIC_BYTES = 360_000


def study_of_images(
    images: Iterable[Path], specimen: Specimen, settings: SegmentationSettings, **reading: Any
) -> Study:
    """Study with one specimen, whose fields are `images` in the order given."""
    paths = list(images)
    fields, messages = name_fields(specimen.name, paths, settings, **reading)
    fields = cut_mosaics(fields)
    folders = sorted({str(path.parent.resolve()) for path in paths})
    return Study(
        title=specimen.name,
        specimens=(replace(specimen, fields=unique_stems([(specimen.name, f) for f in fields])),),
        identity="pictures in " + ", ".join(folders),
        messages=messages,
    )


def name_fields(
    specimen: str,
    images: Sequence[Path | Address],
    settings: SegmentationSettings,
    folder: Path | None = None,
    **reading: Any,
) -> tuple[tuple[Field, ...], tuple[str, ...]]:
    """Fields named by their files, made unique within the specimen, with a line where two share a name."""
    fields: list[Field] = []
    messages: list[str] = []
    taken: set[str] = set()
    for image in images:
        stem = name = spelled(image.stem)
        number = 2
        while name in taken:
            name = f"{stem}-{number}"
            number += 1
        if name != stem:
            messages.append(f"{image}: another field of {specimen} has this name; it is called {name}")
        taken.add(name)
        fields.append(Field(name, image, _shown(image, folder), name, settings, **reading))
    return tuple(fields), tuple(messages)


def _shown(image: Path | Address, folder: Path | None) -> str:
    """Name of a picture as its user knows it, without what signs an address."""
    if isinstance(image, Address):
        return image.partition("?")[0]
    return spelled(str(image) if folder is None else image.relative_to(folder).as_posix())


def cut_mosaics(fields: Iterable[Field]) -> tuple[Field, ...]:
    """Put the sub-fields of a mosaic, named by row and column, in the place of each picture too large for a field."""
    return tuple(part for field in fields for part in _parts(field))


def _parts(field: Field) -> list[Field]:
    from micro.image.micrograph import LARGEST_FIELD_PX, sub_fields
    from micro.image.reading import format_of, probe

    if isinstance(field.image, Address):
        return [field]  # to read its header is to fetch it
    try:
        # Headers of thousands of pictures take time; a mosaic is large on the disk too.
        if field.image.stat().st_size < SMALLEST_MOSAIC_BYTES:
            return [field]
        with field.image.open("rb") as stream:
            if format_of(stream.read(16)) != "TIFF":
                return [field]
        header = probe(field.image, page=field.page)
    except (OSError, InputError):
        return [field]  # reading it says what is wrong
    if header.pixels <= LARGEST_FIELD_PX:
        return [field]
    return [
        replace(field, name=f"{field.name}-r{row}c{column}", stem=f"{field.stem}-r{row}c{column}", sub_field=part)
        for row, parts in enumerate(sub_fields(*header.shape), 1)
        for column, part in enumerate(parts, 1)
    ]


def safe_stem(name: str) -> str:
    """Name of a file that stays in its folder on every system."""
    return re.sub(r'[\x00-\x1f\x7f/\\:*?"<>|]', "_", name).rstrip(". ") or "_"


def unique_stems(fields: list[tuple[str, Field]]) -> tuple[Field, ...]:
    """Give each field a file name that is safe and its own, whatever the system's letter case.

    In a study of more than `MOST_IN_FOLDER` fields it starts with a sub-folder.
    """
    count: dict[str, int] = {}
    for _, f in fields:
        count[f.name.casefold()] = count.get(f.name.casefold(), 0) + 1
    named, taken = [], set()
    for specimen, f in fields:
        stem = f.name if count[f.name.casefold()] == 1 else f"{specimen}-{f.name}"
        safe = safe_stem(stem)
        if len(safe.encode()) > LONGEST_STEM or safe.casefold() in taken:
            digest = hashlib.sha256(f"{specimen}\0{f.name}".encode(errors="surrogateescape")).hexdigest()[:10]
            safe = safe.encode()[: LONGEST_STEM - 11].decode(errors="ignore") + "-" + digest
        taken.add(safe.casefold())
        named.append(replace(f, stem=safe))
    if len(named) <= MOST_IN_FOLDER:
        return tuple(named)
    return tuple(replace(f, stem=f"{fan_of(f.stem)}/{f.stem}") for f in named)


def fan_of(stem: str) -> str:
    """Sub-folder of a field's files in a long study: the same whichever other fields the study has.

    Two figures of a hash make 256 of them: four thousand files in each for a million fields.
    """
    return hashlib.sha256(stem.encode(errors="surrogateescape")).hexdigest()[:2]


def is_stem(stem: str) -> bool:
    """Whether it is a name of a field's files as `unique_stems` gives them, and leads nowhere else."""
    fan, slash, name = stem.rpartition("/")
    return safe_stem(name) == name and fan == (fan_of(name) if slash else "")
