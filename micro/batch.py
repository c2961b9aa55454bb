"""A study from pictures to tables: fans out over fields, resumes, writes nothing by halves."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import platform
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from micro import results
from micro.columns import FIELDS, PARTICLES, names
from micro.errors import InputError, MicroError, UsageError
from micro.study import Field, Specimen, Study

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from micro.scale import Calibration, Scale

LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "pandas", "scikit-image", "tifffile", "matplotlib")
PROFILE_COLUMNS = ["specimen", "field", "curve", "carbide_class", "x", "x_unit", "y", "y_unit"]
PART_FILES = (results.PARTICLES, results.FIELDS, results.PROFILES)


@dataclass(frozen=True)
class Job:
    """All that a worker needs to measure one field, and nothing else."""

    specimen: str
    field: Field
    scale: Scale | Calibration | None
    binning: int
    rolling_deg: float | None
    out: Path


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


def measure_fields(study: Study, out: Path, workers: int, done: Callable[[Outcome], None]) -> tuple[Outcome, ...]:
    """Measure every field of a study that is not measured yet.

    Parameters
    ----------
    study
        What to measure.
    out
        Results folder, claimed by the caller.
    workers
        Processes; the results do not depend on it.
    done
        Called with each outcome as it comes, in no fixed order.

    Returns
    -------
    Outcomes in the order of the study.
    """
    jobs = list(_jobs(study, out))
    outcomes: dict[int, Outcome] = {}
    for number, outcome in _fan_out(jobs, min(workers, len(jobs))):
        outcomes[number] = outcome
        done(outcome)
    return tuple(outcomes[number] for number in range(len(jobs)))


def _jobs(study: Study, out: Path) -> Iterator[Job]:
    from micro.scale import Scale

    for specimen in study.specimens:
        scale: Scale | Calibration | None = None
        if specimen.calibration is not None:
            scale = _calibration(specimen.calibration)
        elif specimen.um_per_px is not None:
            scale = Scale(specimen.um_per_px, None, "given by the user")
        for one in specimen.fields:
            yield Job(specimen.name, one, scale, specimen.binning, specimen.rolling_deg, out)


def _calibration(path: Path) -> Calibration:
    from micro.scale import read_calibration

    try:
        return read_calibration(path)
    except InputError as trouble:
        raise UsageError(trouble.where, trouble.problem, trouble.remedy) from None


def _fan_out(jobs: list[Job], workers: int) -> Iterator[tuple[int, Outcome]]:
    if workers <= 1:
        _single_thread()
        for number, job in enumerate(jobs):
            yield number, measure_one(job)
        return
    with _pool(workers) as pool:
        try:
            waiting = {pool.submit(measure_one, job): number for number, job in enumerate(jobs)}
            for future in as_completed(waiting):
                number = waiting.pop(future)
                yield number, _outcome(future, jobs[number])
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _outcome(future: Future[Outcome], job: Job) -> Outcome:
    try:
        return future.result()
    except BrokenProcessPool:
        line = InputError(job.field.image, "the worker was ended by the system", "run again with fewer --workers")
        return _failed(job, str(line), 0.0)


def _pool(workers: int) -> Executor:
    import multiprocessing

    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    method = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"
    context = multiprocessing.get_context(method)
    if method == "forkserver":
        context.set_forkserver_preload(["micro.batch"])
    return ProcessPoolExecutor(workers, mp_context=context, initializer=_single_thread)


def _single_thread() -> None:
    """Hold the picture library to one thread, so that workers do not fight over cores."""
    import cv2

    cv2.setNumThreads(1)


def measure_one(job: Job) -> Outcome:
    """Measure one field, or take what an earlier run measured from the same picture with the same parameters."""
    start = time.perf_counter()
    try:
        parameters = _parameters(job)
        outcome = _reuse(job, parameters) or _measure(job, parameters, start)
    except MicroError as trouble:
        return _failed(job, str(trouble), time.perf_counter() - start)
    except MemoryError:
        line = InputError(job.field.image, "does not fit into memory", "close other programs or use fewer --workers")
        return _failed(job, str(line), time.perf_counter() - start)
    except OSError as trouble:
        place = trouble.filename or job.out
        line = InputError(place, f"cannot be read or written ({trouble.strerror})", "free the disk, then run again")
        return _failed(job, str(line), time.perf_counter() - start)
    return outcome


def _failed(job: Job, line: str, seconds: float) -> Outcome:
    (_part(job) / results.RECORD).unlink(missing_ok=True)
    return Outcome(job.specimen, job.field.name, job.field.stem, str(job.field.image), trouble=line, seconds=seconds)


def _part(job: Job) -> Path:
    return job.out / results.PARTS / job.field.stem


def _parameters(job: Job) -> dict[str, Any]:
    """Everything but the picture that the numbers depend on."""
    return {
        "specimen": job.specimen,
        "field": job.field.name,
        "segmentation": asdict(job.field.settings),
        "crop_bottom_px": job.field.crop_bottom_px,
        "page": job.field.page,
        "scale": None if job.scale is None else asdict(job.scale),
        "binning": job.binning,
        "rolling_deg": job.rolling_deg,
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
    from micro.fields import measure_field
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
    )
    if micrograph.scale is None:
        raise InputError(one.image, "has no scale", "give --um-per-px or --calibration, or name one in the study file")
    segmentation = segment(micrograph.grey, one.settings, micrograph.grey_max)
    particles = measure_particles(segmentation, micrograph.grey, micrograph.scale, job.rolling_deg)
    fields = measure_field(segmentation, particles, micrograph.scale, job.rolling_deg)
    messages = (*micrograph.messages, *segmentation.messages)
    table = _named(fields.table, job)
    table["image"] = str(one.image)
    table["file"] = one.stem
    if micrograph.messages:
        heard = "; ".join(micrograph.messages)
        table["message"] = [f"{heard}; {own}" if own else heard for own in table["message"]]
    tables = {
        results.PARTICLES: _named(particles, job)[names(PARTICLES)],
        results.FIELDS: table[names(FIELDS)],
        results.PROFILES: _named(fields.profiles, job)[PROFILE_COLUMNS],
    }
    outputs = _write(job, tables, segmentation.labels, draw_outlines(micrograph, segmentation))
    outcome = Outcome(
        job.specimen,
        one.name,
        one.stem,
        str(one.image),
        image_sha256=micrograph.sha256,
        messages=messages,
        scale_origin=micrograph.scale.origin,
        scale_relative_uncertainty=micrograph.scale.relative_uncertainty,
        seconds=time.perf_counter() - start,
    )
    kept = {k: v for k, v in asdict(outcome).items() if k not in ("reused", "outputs")}
    record = {"key": _key(micrograph.sha256, parameters), "outputs": outputs, "outcome": {**kept, "outputs": outputs}}
    results.write_json(_part(job) / results.RECORD, record)
    return Outcome(**{**kept, "outputs": outputs})


def _named(table: pd.DataFrame, job: Job) -> pd.DataFrame:
    return table.assign(specimen=job.specimen, field=job.field.name)


def _write(
    job: Job, tables: dict[str, pd.DataFrame], labels: NDArray[np.int32], picture: NDArray[np.uint8]
) -> dict[str, str]:
    """Write the files of one field; return the SHA-256 of each by its name in the results folder."""
    import cv2
    import tifffile

    stem = job.field.stem
    paths = {name: f"{results.PARTS}/{stem}/{name}" for name in tables}
    for name, table in tables.items():
        results.write_table(job.out / paths[name], table)
    label_path = f"{results.LABELS}/{stem}.tif"
    with results.whole_file(job.out / label_path) as stream:
        tifffile.imwrite(stream, labels, compression="zlib", predictor=False, metadata=None, software=False)
    outline_path = f"{results.OUTLINES}/{stem}.png"
    _, encoded = cv2.imencode(".png", picture[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 3])
    with results.whole_file(job.out / outline_path) as stream:
        stream.write(encoded.tobytes())
    written = [*paths.values(), label_path, outline_path]
    return {name: results.hash_of_file(job.out / name) for name in written}


def gather(outcomes: tuple[Outcome, ...], out: Path) -> None:
    """Join the tables of all measured fields, in the order of the study, one part in memory at a time."""
    measured = [o for o in outcomes if not o.trouble]
    headers = {
        results.PARTICLES: names(PARTICLES),
        results.FIELDS: names(FIELDS),
        results.PROFILES: PROFILE_COLUMNS,
    }
    for name, columns in headers.items():
        with results.whole_file(out / name) as stream:
            stream.write((",".join(columns) + "\n").encode())
            for outcome in measured:
                part = (out / results.PARTS / outcome.stem / name).read_bytes()
                stream.write(part.split(b"\n", 1)[1])


def specimen_scale_uncertainty(outcomes: tuple[Outcome, ...], specimen: Specimen) -> float | None:
    """Relative standard uncertainty of the scale of a specimen's fields; None where any origin states none."""
    stated = [o.scale_relative_uncertainty for o in outcomes if o.specimen == specimen.name and not o.trouble]
    known = [u for u in stated if u is not None]
    return max(known) if known and len(known) == len(stated) else None
