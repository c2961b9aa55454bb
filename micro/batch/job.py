"""Measuring one field: from its picture to its files, or from what an earlier run left."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import platform
import time
from dataclasses import asdict, dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from micro import results
from micro.columns import FIELDS, PARTICLES, names
from micro.errors import InputError, MicroError
from micro.study import Field

if TYPE_CHECKING:
    import pandas as pd

    from micro.fields import FieldMeasures
    from micro.micrograph import Micrograph
    from micro.scale import Calibration, Scale
    from micro.segmentation import Segmentation

LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "pandas", "scikit-image", "tifffile", "matplotlib")
PROFILE_COLUMNS = ["specimen", "field", "curve", "carbide_class", "x", "x_unit", "y", "y_unit"]


@dataclass(frozen=True)
class Job:
    """All that a worker needs to measure one field, and nothing else; `class_names` are those of the whole study."""

    specimen: str
    field: Field
    scale: Scale | Calibration | None
    binning: int
    rolling_deg: float | None
    out: Path
    class_names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Outcome:
    """How one field ended; `trouble` is the line for the user where it could not be measured."""

    specimen: str
    field: str
    stem: str
    image: str
    image_sha256: str = ""
    trouble: str = ""
    messages: tuple[str, ...] = ()
    scale_origin: str = ""
    scale_relative_uncertainty: float | None = None
    seconds: float = 0.0
    reused: bool = False
    outputs: dict[str, str] = dataclasses.field(default_factory=dict)


@cache
def library_versions() -> dict[str, str]:
    """Versions of this program, Python and the libraries that can change a number."""
    found = {"python": platform.python_version()}
    for name in ("micro", *LIBRARIES):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found


def measure_one(job: Job) -> Outcome:
    """Measure one field, or take what an earlier run measured from the same picture with the same parameters."""
    start = time.perf_counter()
    try:
        parameters = _parameters(job)
        outcome = _reuse(job, parameters) or _measure(job, parameters, start)
    except MicroError as trouble:
        return failed(job, str(trouble), time.perf_counter() - start)
    except MemoryError:
        line = InputError(job.field.image, "does not fit into memory", "close other programs or use fewer --workers")
        return failed(job, str(line), time.perf_counter() - start)
    except OSError as trouble:
        place = trouble.filename or job.out
        line = InputError(place, f"cannot be read or written ({trouble.strerror})", "free the disk, then run again")
        return failed(job, str(line), time.perf_counter() - start)
    return outcome


def failed(job: Job, line: str, seconds: float) -> Outcome:
    """Outcome of a field that could not be measured; what an older run left of it is removed."""
    with contextlib.suppress(OSError):
        results.remove_field(job.out, job.field.stem)
    return Outcome(job.specimen, job.field.name, job.field.stem, job.field.shown, trouble=line, seconds=seconds)


def _part(job: Job) -> Path:
    return job.out / results.PARTS / job.field.stem


def _parameters(job: Job) -> dict[str, Any]:
    """Everything but the picture that the field's files depend on."""
    from micro.pictures.outlines import class_colours

    return {
        "specimen": job.specimen,
        "field": job.field.name,
        "image": job.field.shown,
        "segmentation": asdict(job.field.settings),
        "crop_bottom_px": job.field.crop_bottom_px,
        "sub_field": None if job.field.sub_field is None else asdict(job.field.sub_field),
        "page": job.field.page,
        "scale": None if job.scale is None else asdict(job.scale),
        "binning": job.binning,
        "rolling_deg": job.rolling_deg,
        "colours": class_colours(job.field.settings.class_names or ("carbide",), job.class_names),
        "versions": library_versions(),
    }


def _key(image_sha256: str, parameters: dict[str, Any]) -> str:
    text = json.dumps([image_sha256, parameters], sort_keys=True, default=str)
    return hashlib.sha256(text.encode(errors="surrogateescape")).hexdigest()


def _reuse(job: Job, parameters: dict[str, Any]) -> Outcome | None:
    path = _part(job) / results.RECORD
    try:
        record = json.loads(path.read_text(encoding="utf8"))
        if record["key"] != _key(results.hash_of_file(job.field.image), parameters):
            return None
        for name, digest in record["outputs"].items():
            if results.hash_of_file(job.out / name) != digest:
                return None
        return Outcome(**{**record["outcome"], "messages": tuple(record["outcome"]["messages"])}, reused=True)
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _measure(job: Job, parameters: dict[str, Any], start: float) -> Outcome:
    """Measure a field and write its files; the record comes last, so that what has none is measured again."""
    from micro.batch.field_files import label_file, write_field
    from micro.pictures import draw_outlines

    found = _measured_field(job)
    labels = label_file(found.segmentation.labels, job.field.stem, found.scale.um_per_px)
    picture = draw_outlines(found.micrograph, found.segmentation, job.class_names)
    outputs = write_field(job.out, job.field.stem, _tables(job, found), labels, picture)
    outcome = Outcome(
        job.specimen,
        job.field.name,
        job.field.stem,
        job.field.shown,
        image_sha256=found.micrograph.sha256,
        messages=(*found.heard, *found.segmentation.messages),
        scale_origin=found.scale.origin,
        scale_relative_uncertainty=found.scale.relative_uncertainty,
        seconds=time.perf_counter() - start,
        outputs=outputs,
    )
    kept = {name: value for name, value in asdict(outcome).items() if name != "reused"}
    record = {"key": _key(outcome.image_sha256, parameters), "outputs": outputs, "outcome": kept}
    results.write_json(_part(job) / results.RECORD, record)
    return outcome


@dataclass(frozen=True, eq=False)
class _MeasuredField:
    """A field, or the core of a part of a mosaic, with all that was measured on it.

    `heard` are the messages of the picture and of the rolling direction; the segmentation holds its own.
    """

    micrograph: Micrograph
    scale: Scale
    segmentation: Segmentation
    particles: pd.DataFrame
    fields: FieldMeasures
    heard: tuple[str, ...]


def _measured_field(job: Job) -> _MeasuredField:
    from micro.checks import check_field
    from micro.fields import measure_field
    from micro.segmentation import segment

    part = job.field.sub_field
    micrograph, scale = _read(job)
    segmentation = segment(micrograph.grey, job.field.settings, micrograph.grey_max)
    particles, rolling, said = _carbides(job, micrograph, scale, segmentation)
    segmentation = check_field(segmentation, micrograph.grey, particles, scale, _stated_scale(job))
    if part is not None:
        segmentation, micrograph = segmentation.cropped(part.core_in_frame), micrograph.core_of(part)
    fields = measure_field(segmentation, particles, scale, rolling)
    if part is not None:
        left, top = part.left * scale.um_per_px, part.top * scale.um_per_px
        particles = particles.assign(x_um=particles["x_um"] + left, y_um=particles["y_um"] + top)
    return _MeasuredField(micrograph, scale, segmentation, particles, fields, (*micrograph.messages, *said))


def _read(job: Job) -> tuple[Micrograph, Scale]:
    from micro.micrograph import read

    field = job.field
    micrograph = read(
        field.image,
        scale=job.scale,
        binning=job.binning,
        rolling_deg=job.rolling_deg,
        page=field.page,
        crop_bottom_px=field.crop_bottom_px,
        name=field.name,
        sub_field=field.sub_field,
    )
    if micrograph.scale is None:
        remedy = "give --um-per-px or --calibration, or name one in the study file"
        raise InputError(field.image, "has no scale", remedy)
    return micrograph, micrograph.scale


def _carbides(
    job: Job, micrograph: Micrograph, scale: Scale, segmentation: Segmentation
) -> tuple[pd.DataFrame, float | None, tuple[str, ...]]:
    """Table of the carbides, the rolling direction it refers to, and what to say of that direction.

    Where none was given, it is estimated from carbides measured against the horizontal.
    """
    from micro.fields import rolling_direction
    from micro.particles import measure_particles

    def against(rolling_deg: float | None) -> pd.DataFrame:
        return measure_particles(segmentation, micrograph.grey, scale, rolling_deg, job.field.sub_field)

    particles = against(job.rolling_deg)
    if job.rolling_deg is not None:
        return particles, job.rolling_deg, ()
    estimate = rolling_direction(particles)
    if not estimate.found:
        return particles, None, (estimate.text,)
    return against(estimate.angle_deg), estimate.angle_deg, (estimate.text,)


def _stated_scale(job: Job) -> Scale | None:
    """Scale in the tags of the picture where another one is in use."""
    from micro.scale import scale_from_tags

    return None if job.scale is None else scale_from_tags(job.field.image)


def _tables(job: Job, found: _MeasuredField) -> dict[str, pd.DataFrame]:
    """Tables of one field by their names in the results folder, with the names of specimen, field and files."""
    named = {"specimen": job.specimen, "field": job.field.name}
    messages = ["; ".join(filter(None, (*found.heard, own))) for own in found.fields.table["message"]]
    fields = found.fields.table.assign(**named, image=job.field.shown, file=job.field.stem, message=messages)
    return {
        results.PARTICLES: found.particles.assign(**named)[names(PARTICLES)],
        results.FIELDS: fields[names(FIELDS)],
        results.PROFILES: found.fields.profiles.assign(**named)[PROFILE_COLUMNS],
    }
