"""The keys of review.json, from which its checks and its JSON Schema come."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Required

from pydantic import ConfigDict, Field, TypeAdapter, with_config
from typing_extensions import TypedDict

from micro.review.acts import FARTHEST_PX, FORMAT, KINDS, MOST_ACTS, MOST_FIELDS, VERSION

EXACT = ConfigDict(extra="forbid", strict=True)
Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Words = Annotated[str, Field(max_length=2000)]
Place = Annotated[float, Field(ge=-FARTHEST_PX, le=FARTHEST_PX, allow_inf_nan=False)]
Point = Annotated[list[Place], Field(min_length=2, max_length=2, description="x, y")]
Kind = Literal["not_carbide", "cut", "join", "draw", "leave_out", "reject", "accept"]
MOST_POINTS = max(most for _, _, most in KINDS.values())


@with_config(EXACT)
class ActKeys(TypedDict, total=False):
    """One act of a person."""

    act: Required[Annotated[Kind, Field(description="What was done.")]]
    points: Annotated[
        list[Point],
        Field(
            max_length=MOST_POINTS,
            description="px of the field's picture from its top left corner, the centre of the first pixel at 0.5, "
            "0.5. A place in the carbide (not_carbide), one in each of two (join), corners of a line (cut) or of a "
            "closed outline (draw, leave_out).",
        ),
    ]
    carbide_class: Annotated[Words, Field(description="Of a drawn carbide; left out: that of most of the area.")]
    reason: Annotated[Words, Field(description="Why a field is rejected.")]
    when: Annotated[Words, Field(description="ISO 8601.")]


@with_config(EXACT)
class FieldKeys(TypedDict):
    """The acts on one field, in their order; each acts on what those before it left."""

    specimen: Name
    field: Name
    image_sha256: Annotated[Sha256, Field(description="Of the picture's file.")]
    outlines_sha256: Annotated[
        Sha256, Field(description="Of rows and columns (int64) and the labels (int32), little-endian, before the acts.")
    ]
    acts: Annotated[list[ActKeys], Field(max_length=MOST_ACTS)]


@with_config(ConfigDict(extra="forbid", strict=True, title="Review file of micro"))
class ReviewKeys(TypedDict):
    """The whole file."""

    format: Literal["micro review"]
    version: Annotated[int, Field(ge=1, le=VERSION)]
    who: Annotated[Words, Field(description="Initials of the person.")]
    saved: Annotated[Words, Field(description="ISO 8601.")]
    fields: Annotated[list[FieldKeys], Field(max_length=MOST_FIELDS)]


REVIEW_FILE: TypeAdapter[ReviewKeys] = TypeAdapter(ReviewKeys)


def review_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the file."""
    assert FORMAT == "micro review"
    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | REVIEW_FILE.json_schema()
