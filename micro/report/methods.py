"""The methods of a run in a paragraph that can be pasted into a report or paper."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from micro.batch import Outcome, library_versions
from micro.study import Study

if TYPE_CHECKING:
    import pandas as pd


def methods(study: Study, outcomes: Sequence[Outcome], fields: pd.DataFrame) -> list[str]:
    """Paragraphs with the numbers of this run and the standards followed."""
    return [
        _taken(study, outcomes, fields),
        "Grey levels were flattened for uneven light by the local level of the matrix. Carbides were outlined at half "
        "height between the local matrix level and the level of their carbide class; touching carbides were separated "
        f"by a watershed; outlines below {_smallest(study)} px were not counted. The area of each carbide is its "
        "integrated contrast over the local matrix divided by the contrast of resolved carbide, which blur does not "
        "change. Every carbide counts for the area fraction; carbides cut by the edge of the frame leave the size "
        "statistics, and the others are weighted for it (Miles and Lantuéjoul).",
        "Intercepts were counted on parallel lines one pixel apart along and across the rolling direction (ASTM E1268, "
        "written from memory: anisotropy index AI, degree of orientation Ω12, mean band spacing SB⊥, mean free path). "
        "Banding was tested against the same carbides placed at random, and nearest neighbours against such placements "
        "without overlap. Area fraction equals volume fraction in the mean over random sections (E. E. Underwood, "
        "Quantitative Stereology, 1970).",
        "Intervals are 95 % intervals with the fields as the sampling unit (Student t), combined with the uncertainty "
        "of the segmentation and of the scale. %RA is half the interval over the mean (ASTM E562).",
    ]


def _taken(study: Study, outcomes: Sequence[Outcome], fields: pd.DataFrame) -> str:
    measured = sum(not o.trouble for o in outcomes)
    every = fields[fields["carbide_class"] == "all"]
    if every.empty:
        return "No field could be measured."
    sizes = sorted(set(every["um_per_px"].round(6)))
    area = every["analysed_area_um2"].sum() / 1e6
    origins = list(dict.fromkeys(o.scale_origin for o in outcomes if o.scale_origin))
    pixel = f"{sizes[0]:g} µm" if len(sizes) == 1 else f"{sizes[0]:g} to {sizes[-1]:g} µm"
    count = len(study.specimens)
    return (
        f"{measured} fields of {count} specimen{'s' * (count != 1)}, {area:.3g} mm² in all, were measured with micro "
        f"{library_versions()['micro']}; the size of a pixel is {pixel} ({'; '.join(origins) or 'origin unknown'})."
    )


def _smallest(study: Study) -> str:
    sizes = sorted({f.settings.min_area_px for s in study.specimens for f in s.fields})
    return f"{sizes[0]:g}" if len(sizes) == 1 else f"{sizes[0]:g} to {sizes[-1]:g}" if sizes else "the smallest"
