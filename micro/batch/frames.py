"""Picture of a field and its outlines; of a part of a mosaic as much about its core as its carbides need.

Segmented fields are kept on the disk from the search for the rolling direction until they are measured.
"""

from __future__ import annotations

import os
import pickle
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from micro import results

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np
    from numpy.typing import NDArray

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


BYTES_KEPT, BYTES_A_PIXEL = 2**30, 7
"""Of a study at a time (chosen); 5 a pixel for contrast and what is left out, 1 to 2 for the runs of dense fields
(measured)."""

Run = tuple["NDArray[np.int32]", "NDArray[np.uint32]"]


def how_many(largest_px: int) -> int:
    """Fields of so many pixels that are kept at a time; the others are segmented again."""
    return BYTES_KEPT // (BYTES_A_PIXEL * max(1, largest_px))


WHOLE_PICTURE = "bare"
"""What a segmented field knows that is found again sooner than it is read."""


def keep(segmentation: Segmentation, sha256: str, out: Path) -> Path | None:
    """Write a segmented field into a new file of a results folder; None where there is no room for it.

    The name is that of an unfinished file, so that the next run sweeps away what a killed one leaves.

    Parameters
    ----------
    sha256
        Of the picture.
    """
    import numpy as np

    pictures = _packed(segmentation.labels), _packed(segmentation.basins)
    bare = replace(segmentation, labels=np.empty(0, np.int32), basins=np.empty(0, np.int32))
    known = {name: value for name, value in vars(segmentation).items() if name not in {*vars(bare), WHOLE_PICTURE}}
    try:
        handle, name = tempfile.mkstemp(prefix=results.TEMPORARY, dir=out)
        with os.fdopen(handle, "wb") as stream:
            pickle.dump((sha256, segmentation.labels.shape, pictures, bare, known), stream, pickle.HIGHEST_PROTOCOL)
    except OSError:
        return None
    return Path(name)


def kept(path: Path | None, sha256: str) -> Segmentation | None:
    """Read what `keep` wrote in this run; None where that is gone, or was of another picture."""
    if path is None:
        return None
    try:
        # The name comes from the process that wrote it a moment ago, into a file that nobody else may write.
        with path.open("rb") as stream:
            of, shape, pictures, bare, known = pickle.load(stream)
    except (OSError, EOFError, pickle.UnpicklingError):
        return None
    if of != sha256:
        return None
    labels, basins = (_unpacked(picture, shape) for picture in pictures)
    segmentation: Segmentation = replace(bare, labels=labels, basins=basins)
    vars(segmentation).update(known)
    return segmentation


def _packed(labels: NDArray[np.int32]) -> Run:
    """Values and lengths of the runs of a picture, row after row."""
    import numpy as np

    flat = labels.ravel()
    first = np.flatnonzero(np.append(True, flat[1:] != flat[:-1])) if flat.size else np.empty(0, np.intp)
    return flat[first], np.diff(first, append=flat.size).astype(np.uint32)


def _unpacked(run: Run, shape: tuple[int, int]) -> NDArray[np.int32]:
    import numpy as np

    return np.repeat(*run).reshape(shape)
