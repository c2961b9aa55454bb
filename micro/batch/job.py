"""Measuring one field: from its picture to its files, or from what an earlier run left."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import io
import json
import platform
import time
import traceback
import uuid
import zlib
from collections.abc import Mapping
from dataclasses import asdict, astuple, dataclass, replace
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from micro import __version__, results
from micro.batch.frames import keep, read_segmented
from micro.errors import InputError, MicroError, refused, spelled
from micro.geometry.runs import Runs
from micro.issues import Issue, flag_text, issue, message_text, ordered
from micro.review.acts import FieldActs, Reviewed, Stale
from micro.scale.scale import Scale
from micro.statistics.sampling import NORMAL_95
from micro.study.model import Field
from micro.tables.columns import FIELDS, PARTICLES, names

if TYPE_CHECKING:
    import pandas as pd

    from micro.field import FieldResult
    from micro.measures.orientation import RollingDirection
    from micro.scale.calibration import Calibration

LONGEST_FAULT = 160
"""Characters that a line for the user has for it; chosen."""
LIBRARIES = (
    "numpy",
    "scipy",
    "opencv-python-headless",
    "pandas",
    "scikit-learn",
    "tifffile",
    "matplotlib",
)
PROFILE_COLUMNS = ["specimen", "field", "curve", "carbide_class", "x", "x_unit", "y", "y_unit"]


def is_band_profile(curve: pd.Series) -> pd.Series:
    """(rows,) whether they are of a profile across rolling, which has a point every few pixels."""
    return curve.str.startswith("band_profile")


@dataclass(frozen=True)
class FieldDirection:
    """Rolling direction of a specimen as its fields show it together, and what this field says by itself.

    Parameters
    ----------
    angle_deg, standard_uncertainty_deg
        Of the specimen, from the horizontal; None where no field shows one.
    fields
        Fields that show a direction.
    own
        What the field's own carbides show.
    agrees
        False where it lies further from the others than chance explains.
    """

    angle_deg: float | None
    standard_uncertainty_deg: float | None
    fields: int
    own: RollingDirection
    agrees: bool = True

    @property
    def issues(self) -> tuple[Issue, ...]:
        """What a reader of the field must know of it."""
        if self.angle_deg is None or self.standard_uncertainty_deg is None:
            return (issue("no_rolling_direction"),)
        half = NORMAL_95 * self.standard_uncertainty_deg
        shared = issue("rolling_of_specimen", angle_deg=self.angle_deg, half_width_deg=half, fields=self.fields)
        if self.agrees:
            return (shared,)
        return shared, issue("rolling_disagrees", own_deg=self.own.angle_deg, angle_deg=self.angle_deg)


@dataclass(frozen=True)
class TaughtOutlinesJob:
    """Kept map that the outlines of a field are drawn on, its SHA-256, and the names of its carbide classes."""

    path: Path
    sha256: str
    class_names: tuple[str, ...]


@dataclass(frozen=True)
class Job:
    """All that a worker needs to measure one field, and nothing else.

    `class_names` are those of the whole study; `direction` is what the specimen's fields say together of the rolling
    direction, where none was given; `taught`: outlines taught by a point count take the place of the program's own.
    """

    specimen: str
    field: Field
    scale: Scale | Calibration | None
    binning: int
    rolling_deg: float | None
    out: Path
    class_names: tuple[str, ...] = ()
    direction: FieldDirection | None = None
    taught: TaughtOutlinesJob | None = None
    review: tuple[FieldActs, ...] = ()
    """What a person did to the field's outlines, file by file."""
    cropped: bool = False
    """The picture was cut out of one of the calibrated size."""
    keep: bool = False
    """Whether the segmented field is kept for measuring when its direction is looked for."""
    kept: Path | None = None
    """Where it is kept."""


@dataclass(frozen=True)
class Outcome:
    """How one field ended; `trouble` is the line for the user where it has no numbers.

    `log` tells in full of a fault of the program; `reviewed` what became of a person's acts, which may reject a field.
    """

    specimen: str
    field: str
    stem: str
    image: str
    image_sha256: str = ""
    trouble: str = ""
    issues: tuple[Issue, ...] = ()
    scale_origin: str = ""
    scale_relative_uncertainty: float | None = None
    seconds: float = 0.0
    reused: bool = False
    outputs: dict[str, str] = dataclasses.field(default_factory=dict)
    log: str = ""
    reviewed: Reviewed | None = None

    @property
    def rejected(self) -> bool:
        """Whether a person left the field out."""
        return self.reviewed is not None and bool(self.reviewed.rejected)

    @property
    def failed(self) -> bool:
        """Whether the field could not be measured."""
        return bool(self.trouble) and not self.rejected


@cache
def library_versions() -> dict[str, str]:
    """Versions of this program, Python and the libraries that can change a number."""
    found = {"python": platform.python_version(), "micro": __version__}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found


def measure_one(job: Job) -> Outcome:
    """Measure one field, or take what an earlier run measured from the same picture with the same parameters."""
    start = time.perf_counter()
    try:
        parameters = parameters_of(job)
        outcome = _reuse(job, parameters) or _measure(job, parameters, start)
    except MicroError as trouble:
        return failed(job, str(trouble), time.perf_counter() - start)
    except MemoryError:
        line = InputError(job.field.image, "does not fit into memory", "close other programs or use fewer --workers")
        return failed(job, str(line), time.perf_counter() - start)
    except OSError as trouble:
        return failed(job, f"{spelled(job.field.shown)}: {refused(job.out, trouble)}", time.perf_counter() - start)
    except Exception as fault:
        # Whatever went wrong with one picture, the others are measured, and this one has no number.
        return faulted(job, fault, time.perf_counter() - start)
    return outcome


def lost(job: Job, problem: str, remedy: str) -> Outcome:
    """Outcome of a field whose process ended before it did."""
    return failed(job, str(InputError(job.field.image, problem, remedy)), 0.0)


def faulted(job: Job, fault: BaseException, seconds: float = 0.0) -> Outcome:
    """Outcome of a field that a fault of the program kept from being measured: one line, and all that is known."""
    told = f"{type(fault).__name__}: {str(fault)[:LONGEST_FAULT]}".removesuffix(": ")
    problem = f"could not be measured, by a fault of the program ({told})"
    remedy = f"tell those you have the program from, with the picture and {results.FAILURES} in the results folder"
    line = str(InputError(job.field.image, problem, remedy))
    return failed(job, line, seconds, "".join(traceback.format_exception(fault)))


def failed(job: Job, line: str, seconds: float, log: str = "") -> Outcome:
    """Outcome of a field that could not be measured; what an older run left of it is removed."""
    with contextlib.suppress(OSError):
        results.remove_field(job.out, job.field.stem)
    field = job.field
    return Outcome(job.specimen, field.name, field.stem, field.shown, trouble=line, seconds=seconds, log=log)


def _part(job: Job) -> Path:
    return job.out / results.PARTS / job.field.stem


def parameters_of(job: Job) -> dict[str, Any]:
    """Everything but the picture that the field's files depend on."""
    from micro.pictures.outlines import class_colours

    return {
        "specimen": job.specimen,
        "field": job.field.name,
        "image": job.field.shown,
        "segmentation": asdict(job.field.settings),
        **job.field.reading,
        "scale": None if job.scale is None else asdict(job.scale),
        "binning": job.binning,
        **({"cropped": True} if job.cropped else {}),
        "rolling_deg": job.rolling_deg,
        "direction": None if job.direction is None else asdict(job.direction),
        "colours": class_colours(job.field.settings.class_names or ("carbide",), job.class_names),
        "versions": library_versions(),
        "files": results.field_files(job.field.stem),
        **({} if not job.review else {"review": [asdict(one) for one in job.review]}),
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
        kept = record["outcome"]
        issues = tuple(Issue.from_json(one) for one in kept["issues"])
        return Outcome(**{**kept, "issues": issues, "reviewed": _reviewed(kept["reviewed"])}, reused=True)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _reviewed(kept: dict[str, Any] | None) -> Reviewed | None:
    """Return what `dataclasses.asdict` stored."""
    if kept is None:
        return None
    stale = tuple(Stale(**one) for one in kept["stale"])
    return Reviewed(**{**kept, "who": tuple(kept["who"]), "stale": stale})


def _measure(job: Job, parameters: dict[str, Any], start: float) -> Outcome:
    """Measure a field and write its files; the record comes last, so that what has none is measured again.

    They are whole; the process that asked for them puts them on the disk.
    """
    found = measured_field(job)
    of_direction = () if job.direction is None else job.direction.issues
    # What the specimen's fields show together has its own words for a field that lies otherwise.
    own = [one for one in found.issues if job.direction is None or one.kind != "rolling_unlike_given"]
    issues = ordered((*of_direction, *own))
    trouble, outputs = "", {}
    if found.reviewed is not None and found.reviewed.rejected:
        results.remove_field(job.out, job.field.stem)
        trouble = str(_rejection(job, found.reviewed))
    else:
        outputs = _written(job, found, issues)
    outcome = Outcome(
        job.specimen,
        job.field.name,
        job.field.stem,
        job.field.shown,
        image_sha256=found.micrograph.sha256,
        trouble=trouble,
        issues=issues,
        scale_origin=found.scale.origin,
        scale_relative_uncertainty=found.scale.relative_uncertainty,
        seconds=time.perf_counter() - start,
        outputs=outputs,
        reviewed=found.reviewed,
    )
    kept = {name: value for name, value in vars(outcome).items() if name != "reused"}
    kept["issues"] = [one.to_json() for one in outcome.issues]
    kept["reviewed"] = None if outcome.reviewed is None else asdict(outcome.reviewed)
    record: dict[str, Any] = {"key": _key(outcome.image_sha256, parameters), "outputs": outputs, "outcome": kept}
    if job.direction is not None:
        alone = parameters_of(replace(job, direction=None))
        record |= {"direction_key": _key(outcome.image_sha256, alone), "own_direction": astuple(job.direction.own)}
    results.write_json(_part(job) / results.RECORD, record, wait=False)
    return outcome


def _rejection(job: Job, reviewed: Reviewed) -> InputError:
    who = ", ".join(reviewed.who)
    problem = f"is left out by the review of {who} ({reviewed.rejected})"
    return InputError(job.field.image, problem, "to measure it, take the rejection out of the review")


def _written(job: Job, found: FieldResult, issues: tuple[Issue, ...]) -> dict[str, str]:
    """Write the files of a measured field; return their SHA-256 by name."""
    from micro.pictures.outlines import PALETTE, outline_numbers
    from micro.pictures.png import png

    stem, segmentation = job.field.stem, found.segmentation
    outlines = outline_numbers(found.micrograph, segmentation, job.class_names)
    contents = {
        f"{results.LABELS}/{stem}.tif": label_file(segmentation.labels, segmentation.runs, stem, found.scale.um_per_px),
        f"{results.OUTLINES}/{stem}.png": png(outlines, PALETTE),
        results.left_out_file(stem): png(segmentation.excluded),
    }
    return write_field(job.out, stem, _tables(job, found, issues), contents)


def measured_field(job: Job) -> FieldResult:
    """Measure the field of a job; nothing is written."""
    from micro.field import measure_segmented

    rolling = job.rolling_deg
    if job.direction is not None:
        rolling = job.direction.angle_deg or 0.0
    taught = None
    if job.taught is not None:
        from micro.batch.taught import taught_outlines

        taught = taught_outlines(job, job.taught.path)
    micrograph, found = read_segmented(job, rolling)
    return measure_segmented(micrograph, found, job.field.settings, taught, job.review)


def direction_of(job: Job) -> tuple[RollingDirection | None, Path | None]:
    """Return what the carbides of a job's field say of the rolling direction, and where the segmented field is kept.

    The direction is measured now or by an earlier run, which keeps nothing; None where the field cannot be measured:
    measuring it says why.
    """
    from micro.field import find_direction
    from micro.measures.orientation import RollingDirection

    try:
        record = results.read_json(_part(job) / results.RECORD)
        if record["direction_key"] == _key(results.hash_of_file(job.field.image), parameters_of(job)):
            return RollingDirection(*record["own_direction"]), None
    except (OSError, ValueError, KeyError, TypeError):
        pass  # nothing was measured before
    try:
        micrograph, found = read_segmented(job, None)
        direction = find_direction(micrograph, found, job.review)
    except Exception:
        return None, None
    return direction, keep(found, micrograph.sha256, job.out) if job.keep else None


def _tables(job: Job, found: FieldResult, issues: tuple[Issue, ...]) -> dict[str, pd.DataFrame]:
    """Tables of one field by their names in the results folder, with the names of specimen, field and files."""
    named = {"specimen": job.specimen, "field": job.field.name}
    known = {"flags": flag_text(issues), "message": message_text(issues)}
    fields = found.field.assign(**named, image=job.field.shown, file=job.field.stem, **known)
    return {
        results.PARTICLES: found.particles.assign(**named)[names(PARTICLES)],
        results.FIELDS: fields[names(FIELDS)],
        results.PROFILES: found.profiles.assign(**named)[PROFILE_COLUMNS],
    }


STRIP_PX = 2**20  # of labels that are packed at a time: long enough for any run (chosen)


def write_field(
    out: Path, stem: str, tables: Mapping[str, pd.DataFrame], contents: Mapping[str, bytes]
) -> dict[str, str]:
    """Write the files of one field, each whole; return the SHA-256 of each by its name in the results folder.

    Parameters
    ----------
    stem
        Name that the field's files share.
    tables
        By file name.
    contents
        Of the other files, by their names in the results folder.
    """
    every = {f"{results.PARTS}/{stem}/{name}": results.table_bytes(table) for name, table in tables.items()}
    every |= contents
    for name, content in every.items():
        with results.whole_file(out / name, wait=False) as stream:
            stream.write(content)
    return {name: hashlib.sha256(content).hexdigest() for name, content in every.items()}


def label_file(labels: NDArray[np.int32], runs: Runs, name: str, um_per_px: float) -> bytes:
    """OME-TIFF of a label picture (rows, columns), cut into `runs`, with the size of a pixel: the same bytes always."""
    import tifffile

    from micro.pictures.png import QUICK

    size = {f"PhysicalSize{axis}": um_per_px for axis in "XY"} | {f"PhysicalSize{axis}Unit": "µm" for axis in "XY"}
    # The runs say all that the picture does, in a tenth of its bytes.
    of_runs = hashlib.sha256(repr(labels.shape).encode())
    for part in (runs.label, runs.row, runs.start, runs.stop):
        of_runs.update(part.tobytes())
    identity = str(uuid.uuid5(uuid.NAMESPACE_URL, f"{name} {of_runs.hexdigest()}"))
    rows = max(1, STRIP_PX // max(1, labels.shape[1]))
    labels = np.ascontiguousarray(labels, "<i4")
    strips = (labels[top : top + rows] for top in range(0, len(labels), rows))
    stream = io.BytesIO()
    tifffile.imwrite(
        stream,
        (zlib.compress(strip.data, QUICK) for strip in strips),
        shape=labels.shape,
        dtype=labels.dtype,
        byteorder="<",
        rowsperstrip=rows,
        compression="zlib",
        ome=True,
        software=False,
        metadata={"axes": "YX", "Name": name, "UUID": identity, "Creator": "micro", **size},
    )
    return stream.getvalue()
