"""Measuring one field: from its picture to its files, or from what an earlier run left."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import io
import json
import platform
import time
import uuid
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
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from micro.scale import Calibration, Scale

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
    from micro.checks import check_field
    from micro.fields import measure_field, rolling_direction
    from micro.micrograph import read
    from micro.particles import measure_particles
    from micro.pictures import draw_outlines
    from micro.segmentation import segment

    one = job.field
    micrograph = read(
        one.image,
        scale=job.scale,
        binning=job.binning,
        rolling_deg=job.rolling_deg,
        page=one.page,
        crop_bottom_px=one.crop_bottom_px,
        name=one.name,
        sub_field=one.sub_field,
    )
    scale = micrograph.scale
    if scale is None:
        raise InputError(one.image, "has no scale", "give --um-per-px or --calibration, or name one in the study file")
    segmentation = segment(micrograph.grey, one.settings, micrograph.grey_max)
    rolling = job.rolling_deg
    said: tuple[str, ...] = ()
    particles = measure_particles(segmentation, micrograph.grey, scale, rolling, one.sub_field)
    if rolling is None:
        estimate = rolling_direction(particles)
        said = (estimate.text,)
        if estimate.found:
            rolling = estimate.angle_deg
            particles = measure_particles(segmentation, micrograph.grey, scale, rolling, one.sub_field)
    segmentation = check_field(segmentation, micrograph.grey, particles, scale, _stated_scale(job))
    if one.sub_field is not None:
        core = one.sub_field.core_in_frame
        segmentation, micrograph = segmentation.cropped(core), micrograph.cropped(core)
    fields = measure_field(segmentation, particles, scale, rolling)
    if one.sub_field is not None:
        corner = one.sub_field.left * scale.um_per_px, one.sub_field.top * scale.um_per_px
        particles = particles.assign(x_um=particles["x_um"] + corner[0], y_um=particles["y_um"] + corner[1])
    heard = (*micrograph.messages, *said)
    messages = (*heard, *segmentation.messages)
    table = _named(fields.table, job)
    table["image"] = one.shown
    table["file"] = one.stem
    table["message"] = ["; ".join(filter(None, (*heard, own))) for own in table["message"]]
    tables = {
        results.PARTICLES: _named(particles, job)[names(PARTICLES)],
        results.FIELDS: table[names(FIELDS)],
        results.PROFILES: _named(fields.profiles, job)[PROFILE_COLUMNS],
    }
    labels = label_file(segmentation.labels, one.stem, scale.um_per_px)
    outputs = _write(job, tables, labels, draw_outlines(micrograph, segmentation, job.class_names))
    outcome = Outcome(
        job.specimen,
        one.name,
        one.stem,
        one.shown,
        image_sha256=micrograph.sha256,
        messages=messages,
        scale_origin=scale.origin,
        scale_relative_uncertainty=scale.relative_uncertainty,
        seconds=time.perf_counter() - start,
    )
    kept = {k: v for k, v in asdict(outcome).items() if k not in ("reused", "outputs")}
    record = {"key": _key(micrograph.sha256, parameters), "outputs": outputs, "outcome": {**kept, "outputs": outputs}}
    results.write_json(_part(job) / results.RECORD, record)
    return Outcome(**{**kept, "outputs": outputs})


def _stated_scale(job: Job) -> Scale | None:
    """Scale in the tags of the picture where another one is in use."""
    from micro.scale import scale_from_tags

    return None if job.scale is None else scale_from_tags(job.field.image)


def _named(table: pd.DataFrame, job: Job) -> pd.DataFrame:
    return table.assign(specimen=job.specimen, field=job.field.name)


def label_file(labels: NDArray[np.int32], name: str, um_per_px: float) -> bytes:
    """OME-TIFF of a label picture (rows, columns) with the size of a pixel: the same bytes each time."""
    import tifffile

    size = {f"PhysicalSize{axis}": um_per_px for axis in "XY"} | {f"PhysicalSize{axis}Unit": "µm" for axis in "XY"}
    identity = str(uuid.uuid5(uuid.NAMESPACE_URL, f"{name} {hashlib.sha256(labels.tobytes()).hexdigest()}"))
    stream = io.BytesIO()
    tifffile.imwrite(
        stream,
        labels,
        compression="zlib",
        ome=True,
        software=False,
        metadata={"axes": "YX", "Name": name, "UUID": identity, "Creator": "micro", **size},
    )
    return stream.getvalue()


def _write(job: Job, tables: dict[str, pd.DataFrame], labels: bytes, picture: NDArray[np.uint8]) -> dict[str, str]:
    """Write the files of one field; return the SHA-256 of each by its name in the results folder."""
    import cv2

    stem = job.field.stem
    paths = {name: f"{results.PARTS}/{stem}/{name}" for name in tables}
    for name, table in tables.items():
        results.write_table(job.out / paths[name], table)
    label_path = f"{results.LABELS}/{stem}.tif"
    with results.whole_file(job.out / label_path) as stream:
        stream.write(labels)
    outline_path = f"{results.OUTLINES}/{stem}.png"
    _, encoded = cv2.imencode(".png", picture[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 2])
    with results.whole_file(job.out / outline_path) as stream:
        stream.write(encoded.tobytes())
    written = [*paths.values(), label_path, outline_path]
    return {name: results.hash_of_file(job.out / name) for name in written}
