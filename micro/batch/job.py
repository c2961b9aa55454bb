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
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pandas as pd
import tifffile
from numpy.typing import NDArray

from micro import results
from micro.errors import InputError, MicroError
from micro.study.model import Field
from micro.tables.columns import FIELDS, PARTICLES, names

if TYPE_CHECKING:
    from micro.field import FieldResult
    from micro.image.micrograph import Micrograph
    from micro.scale.calibration import Calibration
    from micro.scale.scale import Scale

LIBRARIES = (
    "numpy",
    "scipy",
    "opencv-python-headless",
    "pandas",
    "scikit-image",
    "scikit-learn",
    "tifffile",
    "matplotlib",
)
PROFILE_COLUMNS = ["specimen", "field", "curve", "carbide_class", "x", "x_unit", "y", "y_unit"]


@dataclass(frozen=True)
class TaughtOutlinesJob:
    """Kept map that the outlines of a field are drawn on, its SHA-256, and the names of its carbide classes."""

    path: Path
    sha256: str
    class_names: tuple[str, ...]


@dataclass(frozen=True)
class Job:
    """All that a worker needs to measure one field, and nothing else; `class_names` are those of the whole study.

    `taught`: outlines taught by a point count take the place of the program's own.
    """

    specimen: str
    field: Field
    scale: Scale | Calibration | None
    binning: int
    rolling_deg: float | None
    out: Path
    class_names: tuple[str, ...] = ()
    taught: TaughtOutlinesJob | None = None


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
        **({} if job.taught is None else {"map": job.taught.sha256, "map_classes": job.taught.class_names}),
    }


def digest_of(content: Any) -> str:
    """SHA-256 of what can be written as JSON."""
    text = json.dumps(content, sort_keys=True, default=str)
    return hashlib.sha256(text.encode(errors="surrogateescape")).hexdigest()


def _key(image_sha256: str, parameters: dict[str, Any]) -> str:
    return digest_of([image_sha256, parameters])


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
    from micro.pictures.outlines import draw_outlines

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
        messages=found.messages,
        scale_origin=found.scale.origin,
        scale_relative_uncertainty=found.scale.relative_uncertainty,
        seconds=time.perf_counter() - start,
        outputs=outputs,
    )
    kept = {name: value for name, value in asdict(outcome).items() if name != "reused"}
    record = {"key": _key(outcome.image_sha256, parameters), "outputs": outputs, "outcome": kept}
    results.write_json(_part(job) / results.RECORD, record)
    return outcome


def _measured_field(job: Job) -> FieldResult:
    from micro.field import measure

    taught = None
    if job.taught is not None:
        from micro.batch.taught import taught_outlines

        taught = taught_outlines(job, job.taught.path)
    return measure(read_micrograph(job), settings=job.field.settings, taught=taught)


def read_micrograph(job: Job) -> Micrograph:
    """Read the picture of a field as the study says."""
    from micro.image.reading import read

    field = job.field
    return read(
        field.image,
        scale=job.scale,
        binning=job.binning,
        rolling_deg=job.rolling_deg,
        page=field.page,
        crop_bottom_px=field.crop_bottom_px,
        name=field.name,
        sub_field=field.sub_field,
    )


def _tables(job: Job, found: FieldResult) -> dict[str, pd.DataFrame]:
    """Tables of one field by their names in the results folder, with the names of specimen, field and files."""
    named = {"specimen": job.specimen, "field": job.field.name}
    fields = found.field.assign(**named, image=job.field.shown, file=job.field.stem)
    return {
        results.PARTICLES: found.particles.assign(**named)[names(PARTICLES)],
        results.FIELDS: fields[names(FIELDS)],
        results.PROFILES: found.profiles.assign(**named)[PROFILE_COLUMNS],
    }


# Noise of a camera is packed in half the time without a filter before, and into less.
PACKED = (cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_NONE, cv2.IMWRITE_PNG_COMPRESSION, 2)
LABELS_PACKED = {"level": 3}  # in half the time of the next level


def write_field(
    out: Path, stem: str, tables: Mapping[str, pd.DataFrame], labels: bytes, picture: NDArray[np.uint8]
) -> dict[str, str]:
    """Write the files of one field, each whole; return the SHA-256 of each by its name in the results folder.

    Parameters
    ----------
    stem
        Name that the field's files share.
    tables
        By file name.
    labels
        As of `label_file`.
    picture
        (rows, columns, 3) RGB.
    """
    paths = {name: f"{results.PARTS}/{stem}/{name}" for name in tables}
    for name, table in tables.items():
        results.write_table(out / paths[name], table)
    _, outlines = cv2.imencode(".png", picture[..., ::-1], PACKED)
    pictures = {f"{results.LABELS}/{stem}.tif": labels, f"{results.OUTLINES}/{stem}.png": outlines.tobytes()}
    for name, content in pictures.items():
        with results.whole_file(out / name) as stream:
            stream.write(content)
    return {name: results.hash_of_file(out / name) for name in (*paths.values(), *pictures)}


def label_file(labels: NDArray[np.int32], name: str, um_per_px: float) -> bytes:
    """OME-TIFF of a label picture (rows, columns) with the size of a pixel: the same bytes each time."""
    size = {f"PhysicalSize{axis}": um_per_px for axis in "XY"} | {f"PhysicalSize{axis}Unit": "µm" for axis in "XY"}
    identity = str(uuid.uuid5(uuid.NAMESPACE_URL, f"{name} {hashlib.sha256(labels.tobytes()).hexdigest()}"))
    stream = io.BytesIO()
    tifffile.imwrite(
        stream,
        labels,
        compression="zlib",
        compressionargs=LABELS_PACKED,
        ome=True,
        software=False,
        metadata={"axes": "YX", "Name": name, "UUID": identity, "Creator": "micro", **size},
    )
    return stream.getvalue()
