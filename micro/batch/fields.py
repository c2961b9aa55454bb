"""A study from pictures to tables: every field measured once, the tables joined in the study's order."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

from micro import results
from micro.batch.job import PROFILE_COLUMNS, Job, Outcome
from micro.batch.workers import in_processes, on_cluster
from micro.errors import InputError, UsageError
from micro.study.model import Specimen, Study
from micro.tables.columns import FIELDS, PARTICLES, names

if TYPE_CHECKING:
    from micro.scale.calibration import Calibration
    from micro.scale.scale import Scale


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
    return run_jobs(jobs, workers, done, scheduler)


def run_jobs(
    jobs: list[Job], workers: int, done: Callable[[Outcome], None], scheduler: str | None = None
) -> tuple[Outcome, ...]:
    """Work jobs off; return their outcomes in the same order."""
    outcomes: dict[int, Outcome] = {}
    ended = on_cluster(jobs, scheduler) if scheduler else in_processes(jobs, min(workers, len(jobs)))
    for number, outcome in ended:
        outcomes[number] = outcome
        done(outcome)
    return tuple(outcomes[number] for number in range(len(jobs)))


def jobs_of(study: Study, out: Path) -> Iterator[Job]:
    """One job a field, in the order of the study."""
    from micro.scale.scale import Scale

    for specimen in study.specimens:
        scale: Scale | Calibration | None = None
        if specimen.calibration is not None:
            scale = _calibration(specimen.calibration)
        elif specimen.um_per_px is not None:
            scale = Scale(specimen.um_per_px, None, "given by the user")
        for one in specimen.fields:
            yield Job(specimen.name, one, scale, specimen.binning, specimen.rolling_deg, out, study.class_names)


def _calibration(path: Path) -> Calibration:
    from micro.scale.calibration import read_calibration

    try:
        return read_calibration(path)
    except InputError as trouble:
        raise UsageError(trouble.where, trouble.problem, trouble.remedy) from None


def gather(outcomes: tuple[Outcome, ...], out: Path) -> None:
    """Join the tables of all measured fields, in the order of the study, one part in memory at a time.

    What is left of fields that are no longer in the study is removed.
    """
    measured = [o for o in outcomes if not o.trouble]
    stems = {o.stem for o in outcomes}
    for left in (out / results.PARTS).glob("*/"):
        if left.name not in stems:
            results.remove_field(out, left.name)
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


Name = tuple[str, str]


def tell_across(study: Study, outcomes: Sequence[Outcome], out: Path) -> tuple[Outcome, ...]:
    """Check all measured fields against each other; add what is found to fields.csv and to the outcomes.

    Parameters
    ----------
    out
        Results folder with the gathered tables.
    """
    import pandas as pd

    from micro.measures.study_checks import NEEDED, check_across

    particles = pd.read_csv(
        out / results.PARTICLES, usecols=list(NEEDED), dtype={"specimen": str, "field": str}, keep_default_na=False
    )
    for name in ("specimen", "field"):
        particles[name] = particles[name].map({text: results.without_guard(text) for text in particles[name].unique()})
    fields = results.read_table(out / results.FIELDS, names(FIELDS))
    found = check_across(particles, fields, _pictures(study, outcomes))
    said = {name: tuple(trouble.text for trouble in troubles) for name, troubles in found.items()}
    if said:
        _add_messages(out / results.FIELDS, said)
    return tuple(replace(o, messages=(*o.messages, *said.get((o.specimen, o.field), ()))) for o in outcomes)


def _pictures(study: Study, outcomes: Sequence[Outcome]) -> dict[Name, str]:
    """Tell one picture from another by the file's hash, the page and the part of a mosaic."""
    fields = {(s.name, f.name): f for s in study.specimens for f in s.fields}
    return {
        (o.specimen, o.field): f"{o.image_sha256} {field.page or 1} {field.sub_field and asdict(field.sub_field)}"
        for o in outcomes
        if o.image_sha256 and (field := fields.get((o.specimen, o.field)))
    }


def _add_messages(path: Path, said: Mapping[Name, tuple[str, ...]]) -> None:
    """Add to the messages of a fields table; all other cells stay as they are."""
    rows = list(csv.reader(io.StringIO(path.read_bytes().decode(), newline="")))
    specimen, field, message = (rows[0].index(name) for name in ("specimen", "field", "message"))
    for row in rows[1:]:
        more = said.get((results.without_guard(row[specimen]), results.without_guard(row[field])), ())
        row[message] = "; ".join(filter(None, (row[message], *more)))
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\n").writerows(rows)
    with results.whole_file(path) as file:
        file.write(stream.getvalue().encode())
