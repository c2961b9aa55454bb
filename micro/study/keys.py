"""The keys of a study file: what each may hold, its words for the user, and the JSON Schema of the file.

A new key is one line in one of the tables below: its kind, and its meaning. The reader and the schema follow from it.
Whatever imports this module pays the tenth of a second that pydantic takes to load.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, Required

from pydantic import AfterValidator, ConfigDict, Field, TypeAdapter, with_config
from typing_extensions import TypedDict

from micro.scale.scale import PLAUSIBLE_UM_PER_PX

# Beyond any grey level, length or count; its square is still a number.
LARGEST = 1e15
EXACT = ConfigDict(extra="forbid", strict=True)


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("holds a character that cannot be printed")
    return text


# Kinds of values. The title completes "must be ..." in a refusal.
Name = Annotated[
    str, Field(title="text of 1 to 80 printable characters", min_length=1, max_length=80), AfterValidator(_printable)
]
PathText = Annotated[str, Field(title="a path within the study's folder", pattern="^[^\\x00]+$")]
UmPerPx = Annotated[
    float,
    Field(
        title="a number of µm from {:g} to {:g}".format(*PLAUSIBLE_UM_PER_PX),
        ge=PLAUSIBLE_UM_PER_PX[0],
        le=PLAUSIBLE_UM_PER_PX[1],
    ),
]
Number = Annotated[float, Field(title="a number", ge=-LARGEST, le=LARGEST)]
NotNegative = Annotated[float, Field(title="a number, 0 or more", ge=0, le=LARGEST)]
Angle = Annotated[float, Field(title="a number from 0 to 180", ge=0, le=180)]
# Values of a table lose their title in a schema.
WeightPercent = Annotated[float, Field(description="a wt % from 0 to 100", ge=0, le=100)]
FactorValue = Annotated[float, Field(description="a number", ge=-LARGEST, le=LARGEST)]
Count = Annotated[int, Field(title="a whole number, 0 or more", ge=0, le=int(LARGEST))]
AtLeastOne = Annotated[int, Field(title="a whole number, 1 or more", ge=1, le=int(LARGEST))]
Images = Annotated[list[PathText], Field(title="a list of picture paths or patterns", min_length=1)]
Tallies = Annotated[list[PathText], Field(title="a list of paths of tallies", min_length=1)]
Reviews = Annotated[list[PathText], Field(title="a list of paths of review files", min_length=1)]
YesOrNo = Annotated[bool, Field(title="true or false")]
TABLES = "a list of tables ([[...]])"


@with_config(EXACT)
class ClassKeys(TypedDict, total=False):
    """One carbide class."""

    name: Required[Name]
    grey: Annotated[Number, Field(description="Pinned grey level; for all classes or for none.")]


@with_config(EXACT)
class CropKeys(TypedDict, total=False):
    """Pixels to cut at each side."""

    top: Count
    bottom: Count
    left: Count
    right: Count


@with_config(EXACT)
class BoxKeys(TypedDict):
    """A rectangle of the picture in the file, px from its top left corner."""

    x: Count
    y: Count
    width: AtLeastOne
    height: AtLeastOne


@with_config(EXACT)
class PictureKeys(TypedDict, total=False):
    """How a picture is read and segmented: for all specimens, for one, for one picture."""

    crop_bottom_px: Annotated[
        Count, Field(description="Rows to cut at the bottom; left out: data bars are looked for.")
    ]
    crop_px: Annotated[
        CropKeys,
        Field(title="a table of top, bottom, left, right", description="Pixels to cut, in place of crop_bottom_px."),
    ]
    leave_out: Annotated[
        list[BoxKeys],
        Field(
            title="a list of tables {x, y, width, height}", description="Rectangles of the picture to leave out, in px."
        ),
    ]
    page: Annotated[AtLeastOne, Field(description="Page of a TIFF with several.")]
    colour: Annotated[
        Literal["luminance", "red", "green", "blue", "best"],
        Field(
            title="one of luminance, red, green, blue, best",
            description="What is measured of a picture in colour; best: the axis that parts two levels most.",
        ),
    ]
    tone_curve: Annotated[
        Literal["linear", "srgb"],
        Field(
            title="one of linear, srgb",
            description="By which curve the camera saved its greys; srgb is undone before anything is measured.",
        ),
    ]
    carbides: Annotated[
        Literal["auto", "bright", "dark"],
        Field(title="one of auto, bright, dark", description="Grey of the carbides against the matrix."),
    ]
    matrix_grey: Annotated[Number, Field(description="Pinned grey level of the matrix.")]
    threshold_grey: Annotated[Number, Field(description="Pinned grey level of the outline.")]
    blur_px: Annotated[NotNegative, Field(description="Pinned standard deviation of the edge spread.")]
    min_area_px: Annotated[NotNegative, Field(description="Carbides with a smaller outline are not counted.")]
    films: Annotated[
        YesOrNo,
        Field(description="Whether thin lines are films of carbide: they are measured apart from the carbides."),
    ]


# "class" cannot be written as a name in Python.
WithClasses = TypedDict(
    "WithClasses",
    {
        "class": Annotated[
            list[ClassKeys], Field(title=TABLES, description="Carbide classes, from the darkest grey to the brightest.")
        ]
    },
    total=False,
)


class CommonKeys(PictureKeys, WithClasses, total=False):
    """What holds for all specimens when it stands above them, and for one when it stands in it."""

    calibration: Annotated[PathText, Field(description="Calibration file from micro calibrate.")]
    um_per_px: Annotated[UmPerPx, Field(description="Size of a pixel in µm.")]
    um_per_px_uncertainty: Annotated[
        NotNegative, Field(description="Standard uncertainty of um_per_px; left out: not known.")
    ]
    cropped: Annotated[YesOrNo, Field(description="The pictures were cropped from ones of the calibrated size.")]
    binning: Annotated[
        AtLeastOne, Field(description="Camera pixels per picture pixel along a side, against the calibration picture.")
    ]
    taught_by: Annotated[Tallies, Field(description="Tallies of a point count that teach the outlines, or a kept map.")]
    review: Annotated[Reviews, Field(description="Files that the page of micro review saved; applied in this order.")]
    outlines: Annotated[
        Literal["own", "taught", "better"],
        Field(title="one of own, taught, better", description="Which outlines are used where a count teaches some."),
    ]
    detection: Annotated[
        YesOrNo,
        Field(description="Whether carbides of known size are set into the pictures, to learn which are found."),
    ]
    rolling_deg: Annotated[
        Angle, Field(description="Rolling direction from the horizontal, counter-clockwise as seen.")
    ]


def _rising(ends: list[float]) -> list[float]:
    if ends[0] > ends[1]:
        raise ValueError("the first number is larger than the second")
    return ends


# Least and most of what a carbide holds, and of its density.
WeightPercents = Annotated[
    list[WeightPercent],
    Field(title="two wt %, the least and the most", min_length=2, max_length=2),
    AfterValidator(_rising),
]
Density = Annotated[float, Field(description="g/cm³, from 1 to 25", ge=1, le=25)]


@with_config(EXACT)
class ContentKeys(TypedDict, total=False):
    """Least and most of an element in a carbide, wt %."""

    C: WeightPercents
    Cr: WeightPercents
    Mo: WeightPercents
    W: WeightPercents
    V: WeightPercents
    Nb: WeightPercents


@with_config(EXACT)
class CarbideKeys(TypedDict, total=False):
    """What the carbides of one class are made of, in the place of the program's own ranges."""

    name: Required[Name]
    density_g_cm3: Annotated[
        list[Density],
        Field(title="two densities in g/cm³, the least and the most", min_length=2, max_length=2),
        AfterValidator(_rising),
    ]
    composition: Annotated[ContentKeys, Field(title="a table of C, Cr, Mo, W, V, Nb", description="wt % by element.")]


@with_config(EXACT)
class FieldKeys(PictureKeys, WithClasses, total=False):
    """One picture of a specimen that needs other settings."""

    image: Required[Annotated[PathText, Field(description="Which picture of the specimen.")]]


@with_config(
    ConfigDict(extra="forbid", strict=True, json_schema_extra={"not": {"required": ["calibration", "um_per_px"]}})
)
class SpecimenKeys(CommonKeys, total=False):
    """One bar or coupon."""

    name: Required[Name]
    route: Annotated[
        Literal["conventional", "powder-metallurgy", "ingot-cast", "powder-made"],
        Field(
            title="one of conventional, powder-metallurgy",
            description="conventional (ingot) or powder-metallurgy (PM); ingot-cast and powder-made mean the same.",
        ),
    ]
    plane: Annotated[
        Literal["longitudinal", "transverse", "planar"], Field(title="one of longitudinal, transverse, planar")
    ]
    images: Required[Annotated[Images, Field(description="Picture files or patterns.")]]
    composition: Annotated[
        dict[str, WeightPercent], Field(title="a table", description="wt % by element; the rest is iron.")
    ]
    steel: Annotated[
        Name, Field(description="Steel that the bar is of; bars of one steel make a series in micro atlas.")
    ]
    heat_treatment: Annotated[
        dict[str, FactorValue],
        Field(title="a table of numbers", description="Number by factor, such as austenitising_C or tempering_C."),
    ]
    field: Annotated[list[FieldKeys], Field(title=TABLES, description="Exceptions for single pictures.")]


KEYS_OF_SPECIMEN = frozenset(SpecimenKeys.__annotations__)


@with_config(ConfigDict(extra="forbid", strict=True, title="Study file of micro"))
class StudyKeys(CommonKeys, total=False):
    """The whole file."""

    title: Annotated[Name, Field(description="Heading of the report.")]
    coupons: Annotated[PathText, Field(description="CSV file of toughness coupons.")]
    reference: Annotated[
        Name, Field(description="Specimen that the others are set against; left out: letters tell which differ.")
    ]
    carbide: Annotated[
        list[CarbideKeys], Field(title=TABLES, description="Composition ranges of a carbide class, for the balance.")
    ]
    specimen: Required[Annotated[list[SpecimenKeys], Field(title=TABLES, min_length=1)]]


STUDY_FILE: TypeAdapter[StudyKeys] = TypeAdapter(StudyKeys)
PICTURE: TypeAdapter[PictureKeys] = TypeAdapter(PictureKeys)


def study_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the study file."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | STUDY_FILE.json_schema()
