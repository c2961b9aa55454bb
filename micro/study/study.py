"""What a run measures: a study of specimens, each with its fields."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from micro.micrograph.mosaic import SubField
from micro.segmentation import SegmentationSettings


@dataclass(frozen=True)
class Field:
    """One picture of a specimen, and how it is read and segmented.

    `shown` is the picture as the user named it, from the study's folder or on the command line; `stem` names the
    field's files in the results folder; `sub_field` is the part of a mosaic that it is.
    """

    name: str
    image: Path
    shown: str
    stem: str
    settings: SegmentationSettings
    crop_bottom_px: int | None = None
    page: int | None = None
    sub_field: SubField | None = None


@dataclass(frozen=True)
class Specimen:
    """One bar or coupon, seen on one plane.

    `rolling_deg` is in the picture, counter-clockwise from the horizontal; None: estimated from each field.
    `composition` is in wt %. A scale given here comes before the tags of the picture.
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


@dataclass(frozen=True)
class Study:
    """All that one run measures. `identity` tells the results of one study from those of another."""

    title: str
    specimens: tuple[Specimen, ...]
    identity: str
    path: Path | None = None
    coupons: Path | None = None
    messages: tuple[str, ...] = ()

    @property
    def class_names(self) -> tuple[str, ...]:
        """Names of carbide classes in any specimen, each once, in the order of the study file."""
        every = (f.settings.class_names for s in self.specimens for f in s.fields)
        return tuple(dict.fromkeys(name for names in every for name in names))
