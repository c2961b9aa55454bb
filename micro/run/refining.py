"""Further points for a count that taught: where the kept maps are unsure, and what they will be worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from micro import results
from micro.batch.fields import jobs_of
from micro.batch.frames import read_micrograph
from micro.batch.job import Job
from micro.batch.taught import core_of, kept_map, kept_probability, map_file
from micro.errors import InputError, UsageError
from micro.points.answers import Counted
from micro.points.lessons import read_lessons
from micro.points.plan import Scattered
from micro.points.sheet import Picture
from micro.report.record import RunRecord, read_run
from micro.run.taught import read_teaching
from micro.study.model import Specimen
from micro.taught.corrected import CountedField
from micro.taught.lesson import Lesson
from micro.taught.refine import Prediction, density, draw_points, half_widths, predict

# Further points of a specimen unless told (chosen: four minutes).
USUAL_POINTS = 150


@dataclass(frozen=True, eq=False)
class Further:
    """Points drawn for one specimen, field by field, and what they are expected to do."""

    specimen: str
    drawn: tuple[tuple[Picture, Scattered], ...]
    prediction: Prediction

    @property
    def lines(self) -> list[str]:
        """The plan in plain words."""
        p = self.prediction
        fields = f"{len(self.drawn)} field{'s' * (len(self.drawn) != 1)}"
        told = [
            f"{self.specimen}: another {p.points} points on {fields}, about {max(1, round(p.minutes))} minutes, take "
            f"the area fraction of just these fields from {half_widths(p.fields_now, p.fields_then)} points"
        ]
        if np.isfinite(p.specimen_now):
            told.append(f"  and that of the specimen from {half_widths(p.specimen_now, p.specimen_then)} points")
            if p.specimen_then > 0.9 * p.specimen_now:
                told.append("  its fields differ by more than the points leave open: more fields help more")
        return told


def further_points(folder: Path, points: int | None, seed: int) -> tuple[list[Further], tuple[str, ...]]:
    """Draw further points for every counted specimen of a taught run; and the classes to tell apart.

    Parameters
    ----------
    points
        Of each field; None: USUAL_POINTS of a specimen, spread over its fields.

    Raises
    ------
    UsageError
        Where nothing was taught.
    InputError
        Where the folder, its pictures or its tallies are not as the run left them.
    """
    record = read_run(folder)
    lessons = read_lessons(folder)
    rng = np.random.default_rng(seed)
    found, classes = [], []
    for specimen in record.study.specimens:
        lesson = lessons.get(specimen.name)
        if lesson is not None and lesson.points:
            counted = _answers(record, specimen)
            jobs = [job for job in jobs_of(record.study, folder) if job.specimen == specimen.name]
            found.append(_of_specimen(_counted_jobs(record, jobs, counted), lesson, points, rng))
            classes += [name for name in counted.classes if name not in classes]
    if not found:
        remedy = "measure with --taught-by first; a first sheet is made without --refine"
        raise UsageError(folder, "holds no fields that a count taught", remedy)
    return found, tuple(classes)


def _answers(record: RunRecord, specimen: Specimen) -> Counted:
    """Answers that taught a specimen, as they were."""
    for path in specimen.taught_by:
        if record.inputs.get(str(path)) != results.hash_of_file(path):
            raise InputError(path, "is not as the run read it", results.RUN_AGAIN)
    return read_teaching(specimen.taught_by).counted


def _counted_jobs(record: RunRecord, jobs: Sequence[Job], counted: Counted) -> list[tuple[Job, Counted]]:
    """Jobs of the fields that were counted, each with its own answers."""
    sha256 = {(o.specimen, o.field): o.image_sha256 for o in record.outcomes if not o.trouble}
    keys = [(sha256.get((job.specimen, job.field.name), ""), job.field.name) for job in jobs]
    return [
        (job, Counted({key: counted.fields[key]}, counted.classes, (), counted.source))
        for job, key in zip(jobs, keys, strict=True)
        if key in counted.fields
    ]


def _of_specimen(
    jobs: Sequence[tuple[Job, Counted]], lesson: Lesson, points: int | None, rng: np.random.Generator
) -> Further:
    each = points or -(-USUAL_POINTS // len(jobs))
    drawn, fields, dense = [], [], []
    for job, counted in jobs:
        (answers,) = counted.fields.values()
        mapped = kept_map(job.out, job.field.stem)
        every = mapped.counted(answers)
        if lesson.corrected_with != "taught map":
            every = CountedField(every.answers, mapped.own, mapped.own_share, every.weights, every.draw)
        dense_map = _density(job)
        row, column = (
            np.minimum(place, side - 1).astype(np.intp)
            for place, side in zip((answers.y_px, answers.x_px), dense_map.shape, strict=True)
        )
        fields.append(every)
        dense.append(dense_map[row, column].astype(float))
        drawn.append(((job.specimen, job.field), _scattered(dense_map, each, rng)))
    return Further(lesson.specimen, tuple(drawn), predict(fields, dense, each * len(jobs)))


def _density(job: Job) -> NDArray[np.float32]:
    """(rows, columns) of the shown picture: density of further points by the kept map of all answers."""
    micrograph = read_micrograph(job)
    carbide = kept_probability(map_file(job.out, job.field.stem)).sum(axis=0)
    core = np.s_[:, :] if micrograph.sub_field is None else micrograph.sub_field.core_in_frame
    return density(carbide[core], core_of(micrograph)[core])


def _scattered(dense: NDArray[np.float32], number: int, rng: np.random.Generator) -> Scattered:
    x, y = draw_points(dense, number, rng)
    at = dense[y.astype(np.intp), x.astype(np.intp)]
    # As the page keeps them: two decimals of a pixel, and of the density as many as any weight needs.
    return Scattered(*(tuple(np.round(v.astype(float), n).tolist()) for v, n in ((x, 2), (y, 2), (at, 4))))
