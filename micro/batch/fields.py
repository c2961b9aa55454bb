"""A study from pictures to tables: every field measured once, the tables joined in the study's order."""

from __future__ import annotations

import contextlib
import csv
import io
import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

from micro import results
from micro.address import Address
from micro.batch.frames import how_many
from micro.batch.job import (
    PROFILE_COLUMNS,
    FieldDirection,
    Job,
    Outcome,
    direction_of,
    failed,
    faulted,
    lost,
    measure_one,
)
from micro.batch.workers import Result, WholePool, Work, in_processes, largest_pixels, on_cluster, standing
from micro.errors import InputError, UsageError
from micro.issues import Issue, flag_text, message_text, ordered
from micro.review.acts import FieldActs, read_review
from micro.scale.scale import Scale, shared_uncertainty
from micro.study.model import Specimen, Study
from micro.tables.columns import FIELDS, PARTICLES, names

if TYPE_CHECKING:
    from micro.measures.orientation import RollingDirection
    from micro.scale.calibration import Calibration


def measure_fields(
    study: Study, out: Path, workers: int, done: Callable[[Outcome], None], scheduler: str | None = None
) -> tuple[Outcome, ...]:
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
    scheduler
        Address of a dask scheduler that takes the place of this machine's cores.

    Returns
    -------
    Outcomes in the order of the study.
    """
    jobs = list(jobs_of(study, out))
    outcomes: list[Outcome] = []
    with standing(workers) as pool:
        for batch in batches(jobs, scheduler):
            with directed(batch, study, workers, scheduler, pool) as ready:
                outcomes += _outcomes(ready, workers, done, scheduler, pool)
    return of_one_file(jobs, outcomes)


def run_jobs(
    jobs: list[Job], workers: int, done: Callable[[Outcome], None], scheduler: str | None = None
) -> tuple[Outcome, ...]:
    """Work jobs off; return their outcomes in the same order."""
    return of_one_file(jobs, _outcomes(jobs, workers, done, scheduler))


def _outcomes(
    jobs: list[Job], workers: int, done: Callable[[Outcome], None], scheduler: str | None, pool: WholePool | None = None
) -> list[Outcome]:
    outcomes: dict[int, Outcome] = {}
    with results.on_disk() as put:
        for number, outcome in _ended(jobs, Work(measure_one, lost, faulted), workers, scheduler, pool):
            outcomes[number] = outcome
            put([jobs[number].out / name for name in outcome.outputs])
            done(outcome)
    return [outcomes[number] for number in range(len(jobs))]


def of_one_file(jobs: Sequence[Job], outcomes: Sequence[Outcome]) -> tuple[Outcome, ...]:
    """Take the numbers from fields of one file, parts of a mosaic or pages, that were not read from the same bytes."""
    hashes: dict[Path | Address, set[str]] = {}
    for job, outcome in zip(jobs, outcomes, strict=True):
        if not outcome.trouble:
            hashes.setdefault(job.field.image, set()).add(outcome.image_sha256)
    changed = {image for image, found in hashes.items() if len(found) > 1}
    told = "was changed while its fields were measured"
    return tuple(
        failed(job, str(InputError(job.field.image, told, "run again when nothing writes to it")), outcome.seconds)
        if job.field.image in changed and not outcome.trouble
        else outcome
        for job, outcome in zip(jobs, outcomes, strict=True)
    )


def _ended(
    jobs: list[Job], work: Work[Result], workers: int, scheduler: str | None, pool: WholePool | None
) -> Iterator[tuple[int, Result]]:
    return on_cluster(jobs, work, scheduler) if scheduler else in_processes(jobs, work, min(workers, len(jobs)), pool)


def batches(jobs: list[Job], scheduler: str | None = None) -> list[list[Job]]:
    """Part jobs where specimens end, as many together as can keep their segmented fields; a cluster keeps none."""
    undirected = Counter(job.specimen for job in jobs if job.rolling_deg is None)
    if scheduler or max(undirected.values(), default=0) < 2:
        return [jobs]
    most = how_many(largest_pixels([job.field for job in jobs]))
    parts: list[list[Job]] = [[]]
    for _, own in itertools.groupby(jobs, key=lambda job: job.specimen):
        more = list(own)
        if parts[-1] and len(parts[-1]) + len(more) > most:
            parts.append([])
        parts[-1] += more
    # Of a specimen too large for that, the first are kept.
    return [[replace(job, keep=number < most) for number, job in enumerate(part)] for part in parts]


@contextlib.contextmanager
def directed(
    jobs: list[Job], study: Study, workers: int, scheduler: str | None = None, pool: WholePool | None = None
) -> Iterator[list[Job]]:
    """Give the jobs with the rolling direction that the fields of a specimen show together, where none was given.

    What was segmented on the way and is kept is removed when the block ends.
    """
    alone = {s.name for s in study.specimens if len(s.fields) < 2}
    undirected = [n for n, job in enumerate(jobs) if job.rolling_deg is None and job.specimen not in alone]
    if not undirected:
        yield jobs
        return
    work = Work(direction_of, _no_direction, _no_direction)
    own: dict[int, RollingDirection | None] = {}
    kept: dict[int, Path | None] = {}
    try:
        for k, found in _ended([jobs[n] for n in undirected], work, workers, scheduler, pool):
            own[k], kept[undirected[k]] = found
        shared = shared_directions([(jobs[n].specimen, own[k]) for k, n in enumerate(undirected)])
        found_of = dict(zip(undirected, shared, strict=True))
        yield [
            replace(job, direction=found_of[n], kept=kept[n]) if n in found_of else job for n, job in enumerate(jobs)
        ]
    finally:
        for path in kept.values():
            if path is not None:
                with contextlib.suppress(OSError):
                    path.unlink(missing_ok=True)


def _no_direction(job: Job, *why: object) -> tuple[None, None]:
    """Stand for the direction of a field whose process was lost: measuring it says what is wrong."""
    return None, None


def shared_directions(found: Sequence[tuple[str, RollingDirection | None]]) -> list[FieldDirection | None]:
    """Return the rolling direction of each field's specimen, from what the fields of a specimen show together.

    Parameters
    ----------
    found
        Specimen and direction of each field; None for one that could not be measured.
    """
    from micro.measures.orientation import SIGNIFICANCE, pooled_direction, shown_together

    shared: list[FieldDirection | None] = [None] * len(found)
    for specimen in dict.fromkeys(name for name, _ in found):
        own = {k: d for k, (name, d) in enumerate(found) if name == specimen and d is not None}
        pooled = pooled_direction(
            [d.angle_deg for d in own.values()], [d.standard_uncertainty_deg for d in own.values()]
        )
        known = math.isfinite(pooled.angle_deg) and shown_together(list(own.values()))
        # What one lens does to all fields no number of them makes less.
        owed_deg = max((d.owed_deg for d in own.values()), default=0.0)
        for (k, direction), p_value in zip(own.items(), pooled.p_value, strict=True):
            shared[k] = FieldDirection(
                pooled.angle_deg if known else None,
                math.hypot(pooled.standard_uncertainty_deg, owed_deg) if known else None,
                sum(d.found for d in own.values()),
                direction,
                not p_value < SIGNIFICANCE,
            )
    return shared


def jobs_of(study: Study, out: Path) -> Iterator[Job]:
    """One job a field, in the order of the study."""
    for specimen in study.specimens:
        scale: Scale | Calibration | None = None
        if specimen.calibration is not None:
            scale = _calibration(specimen.calibration)
        elif specimen.um_per_px is not None:
            scale = Scale(specimen.um_per_px, specimen.um_per_px_uncertainty, "given by the user")
        acts = acts_of(specimen)
        for one in specimen.fields:
            job = Job(specimen.name, one, scale, specimen.binning, specimen.rolling_deg, out, study.class_names)
            yield replace(
                job, cropped=specimen.cropped, review=tuple(a for a in acts if a.field == one.name and a.acts)
            )


def acts_of(specimen: Specimen) -> tuple[FieldActs, ...]:
    """Return what the review files of a specimen say of its fields, file by file.

    Raises
    ------
    UsageError
        With the file, where one is damaged or no review.
    """
    try:
        return tuple(one for path in specimen.review for one in read_review(path) if one.specimen == specimen.name)
    except InputError as trouble:
        raise UsageError(trouble.where, trouble.problem, trouble.remedy) from None


def checked_reviews(study: Study) -> Study:
    """Study whose review files can all be read, with a line on those that speak of other fields.

    Raises
    ------
    UsageError
        With the file, where one is damaged or no review.
    """
    for specimen in study.specimens:
        acts_of(specimen)
    return replace(study, messages=(*study.messages, *strangers(study)))


def strangers(study: Study) -> list[str]:
    """One line for each review file that speaks of fields which its specimens do not have."""
    known = {(s.name, f.name) for s in study.specimens for f in s.fields}
    lines = []
    for path in dict.fromkeys(path for s in study.specimens for path in s.review):
        try:
            other = [
                f"{a.specimen} {a.field}" for a in read_review(path) if a.acts and (a.specimen, a.field) not in known
            ]
        except InputError:
            continue  # reading it for the jobs says why
        if other:
            more = f" and {len(other) - 3} more" if len(other) > 3 else ""
            lines.append(
                f"{path}: reviews fields that are not of this study ({', '.join(other[:3])}{more}); not applied"
            )
    return lines


def _calibration(path: Path) -> Calibration:
    from micro.scale.calibration import read_calibration

    try:
        return read_calibration(path)
    except InputError as trouble:
        raise UsageError(trouble.where, trouble.problem, trouble.remedy) from None


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


def pictures_of(outcomes: Sequence[Outcome]) -> dict[tuple[str, str], str]:
    """SHA-256 of the picture of every field, by specimen and field; empty where the picture could not be read."""
    return {(o.specimen, o.field): o.image_sha256 for o in outcomes}


def write_failures(outcomes: Sequence[Outcome], out: Path) -> None:
    """Write all that is known of faults of the program, a field after the other; no file where there was none."""
    told = [f"{o.trouble}\n\n{o.log}\n" for o in outcomes if o.log]
    if not told:
        (out / results.FAILURES).unlink(missing_ok=True)
        return
    with results.whole_file(out / results.FAILURES) as stream:
        stream.write("\n".join(told).encode(errors="backslashreplace"))


def specimen_scale_uncertainty(outcomes: tuple[Outcome, ...], specimen: Specimen) -> float | None:
    """Relative standard uncertainty of the scale of a specimen's fields; None where any origin states none."""
    own = [o for o in outcomes if o.specimen == specimen.name and not o.trouble]
    return shared_uncertainty([o.scale_relative_uncertainty for o in own])


Name = tuple[str, str]


def check_across_fields(study: Study, outcomes: Sequence[Outcome], out: Path) -> tuple[Outcome, ...]:
    """Check all measured fields against each other; add what is found to fields.csv and to the outcomes.

    Parameters
    ----------
    out
        Results folder with the gathered tables.
    """
    from micro.measures.study_checks import NEEDED, check_across

    particles = results.table_parts(out / results.PARTICLES, list(NEEDED), repetitive=True)
    fields = results.read_table(out / results.FIELDS, names(FIELDS))
    found = check_across(particles, fields, _pictures(study, outcomes))
    every = tuple(replace(o, issues=ordered((*o.issues, *found.get((o.specimen, o.field), ())))) for o in outcomes)
    if found:
        _write_issues(out / results.FIELDS, {(o.specimen, o.field): o.issues for o in every})
    return every


def _pictures(study: Study, outcomes: Sequence[Outcome]) -> dict[Name, str]:
    """Tell one picture from another by the file's hash, the page and the part of a mosaic."""
    fields = {(s.name, f.name): f for s in study.specimens for f in s.fields}
    return {
        (o.specimen, o.field): f"{o.image_sha256} {field.page or 1} {field.sub_field and asdict(field.sub_field)}"
        for o in outcomes
        if o.image_sha256 and (field := fields.get((o.specimen, o.field)))
    }


def _write_issues(path: Path, issues: Mapping[Name, tuple[Issue, ...]]) -> None:
    """Write flags and messages of a fields table anew; all other cells stay as they are."""
    rows = list(csv.reader(io.StringIO(path.read_bytes().decode(), newline="")))
    specimen, field, flags, message = (rows[0].index(name) for name in ("specimen", "field", "flags", "message"))
    for row in rows[1:]:
        own = issues[results.without_guard(row[specimen]), results.without_guard(row[field])]
        row[flags], row[message] = flag_text(own), results.guarded(message_text(own))
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\n").writerows(rows)
    with results.whole_file(path) as file:
        file.write(stream.getvalue().encode())
