"""What the pictures of every specimen can show: carbides set into some fields of each, kept beside the tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd

from micro import results
from micro.batch.fields import jobs_of
from micro.batch.job import Job, Outcome, digest_of, library_versions, measured_field, parameters_of
from micro.errors import MicroError
from micro.points.lessons import read_lessons
from micro.run.detection import SYNTHETIC, Detection, detect, size_table
from micro.run.taught import in_processes
from micro.specimens.detected import Detected
from micro.statistics.detection import FoundShare, Trials, found_share
from micro.study.model import Study
from micro.tables.columns import DETECTION, names

# Fields of a specimen that carbides are set into, spread over it, and pictures drawn of each (chosen: the a90 of nine
# hundred trials is known to about 3 %, and a field takes as long as measuring it five times).
FIELDS_TRIED, PICTURES = 3, 4
# Carbides of a specimen whose sizes are heard, spread over it (chosen: the trials err more than so many carbides).
HEARD = 20_000
SEED = 17
# Blur of carbides set in is misread by so much (six invented pictures), and the size at which they are found with it.
SIZE_ERROR = 0.03


def detect_specimens(study: Study, outcomes: Sequence[Outcome], out: Path, workers: int) -> None:
    """Set carbides into fields of the specimens that ask for it; keep what was found in detection.json and .csv.

    What an earlier run kept of the same pictures and settings is taken as it is.
    """
    wanted = [s.name for s in study.specimens if s.detection]
    every = _jobs(study, outcomes, out, wanted)
    jobs = [job for own in every.values() for job in _spread(own)]
    pictures = {(o.specimen, o.field): o.image_sha256 for o in outcomes}
    told = [[j.specimen, pictures[j.specimen, j.field.name], parameters_of(j)] for own in every.values() for j in own]
    key = digest_of([told, FIELDS_TRIED, PICTURES, SEED, HEARD, SIZE_ERROR, library_versions()])
    if _key_of(out) == key:
        return
    trials = list(zip(jobs, in_processes(_tried, jobs, workers, "detection"), strict=True))
    carbides = results.read_table(
        out / results.PARTICLES, ["specimen", "ecd_um", "weight"], True, lambda rows: rows["specimen"].isin(wanted)
    )
    found = [
        _joined(
            name,
            [one for job, one in trials if job.specimen == name and one is not None],
            carbides[carbides["specimen"] == name],
        )
        for name in wanted
    ]
    kept = [one for one in found if one is not None]
    rows = [row for one in kept for row in one.table]
    results.write_table(out / results.DETECTION, pd.DataFrame(rows, columns=names(DETECTION)))
    results.write_json(out / results.DETECTION_RECORD, {"key": key, "specimens": [asdict(one) for one in kept]})


def _jobs(study: Study, outcomes: Sequence[Outcome], out: Path, wanted: Sequence[str]) -> dict[str, list[Job]]:
    """Jobs of the measured fields of each specimen; none of one with taught outlines."""
    measured = {(o.specimen, o.field) for o in outcomes if not o.trouble}
    taught = {name for name, lesson in read_lessons(out).items() if lesson.chosen == "taught"}
    jobs: dict[str, list[Job]] = {name: [] for name in wanted if name not in taught}
    for job in jobs_of(study, out):
        if job.specimen in jobs and (job.specimen, job.field.name) in measured:
            jobs[job.specimen].append(job)
    return jobs


def _spread(jobs: Sequence[Job]) -> list[Job]:
    """Up to FIELDS_TRIED of them, spread evenly."""
    return [jobs[i] for i in sorted({int((k + 0.5) * len(jobs) / FIELDS_TRIED) for k in range(FIELDS_TRIED)}) if jobs]


def _key_of(out: Path) -> str:
    try:
        return str(results.read_json(out / results.DETECTION_RECORD)["key"])
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def _tried(job: Job) -> Detection | None:
    """Set carbides into one field. None without a second phase."""
    try:
        field = measured_field(job)
    except MicroError:
        return None
    if not field.segmentation.classes or not field.segmentation.count:
        return None
    return detect(field, PICTURES, SEED, job.field.settings)


def _joined(specimen: str, tried: Sequence[Detection], carbides: pd.DataFrame) -> Detected | None:
    """All fields tried of a specimen together, and what they say of the carbides of all its fields."""
    if not tried:
        return None
    every = Detection.of_fields(tried)
    carbides = carbides[carbides["ecd_um"] > 0].iloc[:: max(1, math.ceil(len(carbides) / HEARD))]
    size = every.trials["ecd_um"].to_numpy(float)
    measured = size * np.sqrt(every.trials["area_ratio"].to_numpy(float))
    trials = Trials(size, every.trials["found"].to_numpy(bool), measured)
    share = found_share(
        carbides["ecd_um"].to_numpy(float), carbides["weight"].to_numpy(float), trials, size_error=SIZE_ERROR
    )
    share = share or FoundShare(math.nan, math.nan, math.nan, math.nan)
    curve = every.curve
    return Detected(
        specimen=specimen,
        fields=len(tried),
        coefficients=() if curve is None else tuple(curve.coefficients.tolist()),
        covariance=() if curve is None else tuple(tuple(row) for row in curve.covariance.tolist()),
        table=tuple(size_table(every, specimen).to_dict("records")),
        false_calls=every.false_calls,
        mark_calls=every.mark_calls,
        found=every.found,
        matrices=1 + SYNTHETIC,
        share=share.share,
        log_uncertainty=share.log_uncertainty,
        sentence=every.sentence,
    )
