"""Picture of a field and its outlines; of a part of a mosaic as much about its core as its carbides need."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from micro.batch.job import Job
    from micro.image.micrograph import Micrograph
    from micro.segmentation.segmentation import Segmentation


def read_micrograph(job: Job, rolling_deg: float | None = None) -> Micrograph:
    """Read the picture of a field as the study says; of a part of a mosaic with its whole margin."""
    return job.field.read(
        scale=job.scale, binning=job.binning, cropped=job.cropped, rolling_deg=rolling_deg,
        leave_out=job.field.leave_out, tone_curve=job.field.tone_curve,
    )  # fmt: skip


def read_segmented(job: Job, rolling_deg: float | None) -> tuple[Micrograph, Segmentation]:
    """Read the picture of a field and segment it, or take what was kept of that.

    A part of a mosaic is read with a narrow margin, as its pixels cost as much as those of the core; with the whole
    margin where a carbide reaches from the core past the narrow one, or where taught outlines lie on that frame or a
    person drew some, which may reach as far.

    Raises
    ------
    InputError
        Where the picture cannot be read or has no scale.
    """
    from micro.batch.outlined import kept
    from micro.field import scale_of, segmented

    for frame in _frames(job):
        micrograph = read_micrograph(frame, rolling_deg)
        scale_of(micrograph)
        own = kept(job.kept, micrograph.sha256)
        if own is not None and own.labels.shape != micrograph.grey.shape:
            if frame is not job:
                continue  # it was kept of the next frame
            own = None
        found = own or segmented(micrograph, job.field.settings)
        if micrograph.sub_field is None or not micrograph.sub_field.cuts(found.labels):
            break
    return micrograph, found


def _frames(job: Job) -> Iterator[Job]:
    """Jobs of the same field in growing frames."""
    part = job.field.sub_field
    if part is not None and job.taught is None and not job.review and part.narrow != part:
        yield replace(job, field=replace(job.field, sub_field=part.narrow))
    yield job
