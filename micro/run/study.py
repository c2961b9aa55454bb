"""One run from study to report: claim the folder, measure, summarise, compare, record."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from micro import results
from micro.analysis import Analysis, PointCount, analyse_study, read_count, write_analysis
from micro.batch.fields import (
    check_across_fields,
    gather,
    measure_fields,
    pictures_of,
    specimen_scale_uncertainty,
    write_failures,
)
from micro.batch.job import PROFILE_COLUMNS, Outcome
from micro.owned import Origin, claimed, listed
from micro.points.agreement import Agreement, compare_count, kept_names, store_tallies, stored_tallies, with_count
from micro.points.lessons import corrected_fields, read_lessons, with_lessons
from micro.points.tally import read_tallies
from micro.report.build import write_report
from micro.report.record import TABLES, RunRecord, output_hashes, read_run, run_record, write_record
from micro.report.summary import answer_sentences
from micro.report.wording import listed as shortened
from micro.run.taught import is_taught, measure_taught, taught_names
from micro.study.model import Study
from micro.tables.columns import FIELDS, PARTICLES, SPECIMENS, empty, names

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class RunSummary:
    """What a run leaves: how each field ended, the specimens' table, the answer in words, what could not be used.

    `remarks` tell what is otherwise than in the run before.
    """

    outcomes: tuple[Outcome, ...]
    specimens: pd.DataFrame
    sentences: tuple[str, ...]
    troubles: tuple[str, ...]
    remarks: tuple[str, ...] = ()

    @property
    def failed(self) -> int:
        """Number of fields that could not be measured."""
        return sum(bool(outcome.trouble) for outcome in self.outcomes)


def run_study(
    study: Study, out: Path, workers: int, done: Callable[[Outcome], None], scheduler: str | None = None,
    parquet: bool = False,
) -> RunSummary:  # fmt: skip
    """Measure a study into a results folder, or finish what an earlier run began.

    With `parquet` the tables also go out in that format.

    Raises
    ------
    UsageError
        Where the folder is another study's, is in use, or cannot be written.
    """
    start = time.perf_counter()
    remarks = fewer_fields(study, out)
    with claimed(out, origin_of(study), written_names(study, out)):
        outcomes, tables, answer = build_results(study, out, workers, done, scheduler, parquet)
        date = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        write_record(run_record(study, outcomes, out, date, time.perf_counter() - start), out)
    sentences = tuple(answer_sentences(study, tables["specimens"], answer))
    return RunSummary(outcomes, tables["specimens"], sentences, answer.troubles, remarks)


def fewer_fields(study: Study, out: Path) -> tuple[str, ...]:
    """Say which fields the last run in the folder measured that the study no longer names: their files will go."""
    now = {field.stem for specimen in study.specimens for field in specimen.fields}
    last = [Path(name).parts for name in listed(out) if name.endswith(f"/{results.RECORD}")]
    gone = sorted(parts[1] for parts in last if parts[0] == results.PARTS and len(parts) == 3 and parts[1] not in now)
    if not gone:
        return ()
    number = f"{len(gone)} field{'s' * (len(gone) > 1)}"
    return (f"{out}: {number} of the last run not in this one: {shortened(gone, 3)}",)


def build_results(
    study: Study, out: Path, workers: int, done: Callable[[Outcome], None], scheduler: str | None = None,
    parquet: bool = False,
) -> tuple[tuple[Outcome, ...], dict[str, pd.DataFrame], Analysis]:  # fmt: skip
    """Measure a study and write all that follows from it into a folder that the caller holds, but for the record."""
    outcomes = measure_study(study, out, workers, done, scheduler)
    write_failures(outcomes, out)
    return outcomes, *write_results(study, outcomes, out, parquet, workers)


def origin_of(study: Study) -> Origin:
    """Return what tells the results of a study from those of another: its file, or the pictures without one."""
    fields = [field for specimen in study.specimens for field in specimen.fields]
    pictures = tuple(dict.fromkeys(field.image for field in fields))
    others = (study.path, study.coupons, *(specimen.calibration for specimen in study.specimens))
    inputs = (*pictures, *(path for path in others if path is not None))
    return Origin("pictures", pictures, inputs) if study.path is None else Origin("study", (study.path,), inputs)


def written_names(study: Study, out: Path) -> tuple[str, ...]:
    """Names of all files that a run writes or keeps, but for its figures, which are listed as they are drawn."""
    stems = [field.stem for specimen in study.specimens for field in specimen.fields]
    kept = (*kept_names(len(stored_tallies(out))), *taught_names(study))
    return (*TABLES, results.RECORD, results.FAILURES, *kept, *(n for stem in stems for n in results.field_files(stem)))


def count_again(folder: Path, tallies: Iterable[Path], wanted_accuracy_pct: float) -> Agreement:
    """Set tallies against a finished run, and keep them and what they say in its folder.

    specimens.csv, the other tables of the whole study and the report are written again with the count in them.

    Raises
    ------
    InputError
        Where the tallies or the folder cannot be used; nothing is written then.
    UsageError
        Where another run is writing in the folder.
    """
    record = read_run(folder)
    check_untouched(record, folder)
    paths = tuple(tallies)
    agreement = compare_count(read_tallies(paths), folder, pictures_of(record.outcomes), wanted_accuracy_pct)
    with claimed(folder, None, (*written_names(record.study, folder), *kept_names(len(paths))), paths):
        store_tallies(paths, folder, wanted_accuracy_pct)
        write_results(record.study, record.outcomes, folder)
        write_record(replace(record, outputs=output_hashes(folder)), folder)
    return agreement


def check_untouched(record: RunRecord, folder: Path) -> None:
    """Raise InputError where a table of the study or a file of a field is not as the run left it."""
    every = dict(record.outputs)
    for outcome in record.outcomes:
        every |= outcome.outputs
    results.check_as_left(folder, every, (name for name in every if name != results.REPORT))


def write_results(
    study: Study, outcomes: tuple[Outcome, ...], out: Path, parquet: bool = False, workers: int = 1
) -> tuple[dict[str, pd.DataFrame], Analysis]:
    """Write all that follows from the measured fields and the kept tallies: tables of the study, answer, report."""
    tables, count = summary_tables(study, outcomes, out)
    answer = analyse_study(study, outcomes, tables, count)
    write_analysis(answer, out)
    write_report(study, outcomes, tables, answer, out, workers)
    # Files that an earlier run wrote would otherwise tell of other numbers than the tables beside them.
    if parquet or any((out / name).exists() for name in results.PARQUET.values()):
        particles = results.read_table(out / results.PARTICLES, names(PARTICLES))
        results.write_parquet(out, tables | {"particles": particles})
    return tables, answer


def measure_study(
    study: Study, out: Path, workers: int, done: Callable[[Outcome], None], scheduler: str | None = None
) -> tuple[Outcome, ...]:
    """Measure the fields, check them against each other, write particles.csv, fields.csv and profiles.csv."""
    if is_taught(study):
        outcomes = measure_taught(study, out, workers, done, scheduler)
    else:
        outcomes = measure_fields(study, out, workers, done, scheduler)
    gather(outcomes, out)
    lessons = read_lessons(out)
    if lessons:
        corrected_fields(out, lessons)
    return check_across_fields(study, outcomes, out)


def summary_tables(
    study: Study, outcomes: tuple[Outcome, ...], out: Path
) -> tuple[dict[str, pd.DataFrame], PointCount]:
    """Summarise the measured fields, with the count by people, into specimens.csv."""
    tables, count = read_tables(out), read_count(out, outcomes)
    summarised = summarise_specimens(study, outcomes, tables["particles"], tables["fields"])
    summarised = with_lessons(summarised, tables["fields"], read_lessons(out))
    tables["specimens"] = with_count(summarised, count.agreement)
    results.write_table(out / results.SPECIMENS, tables["specimens"])
    return tables, count


def read_tables(out: Path) -> dict[str, pd.DataFrame]:
    """Tables of all measured fields, as gathered in the results folder; of the carbides what the summary needs."""
    from micro.specimens.quantities import READ_COLUMNS

    return {
        "particles": results.read_table(out / results.PARTICLES, READ_COLUMNS, repetitive=True),
        "fields": results.read_table(out / results.FIELDS, names(FIELDS)),
        "profiles": results.read_table(out / results.PROFILES, PROFILE_COLUMNS, repetitive=True),
    }


def summarise_specimens(
    study: Study, outcomes: tuple[Outcome, ...], particles: pd.DataFrame, fields: pd.DataFrame
) -> pd.DataFrame:
    """Tidy table of every specimen that has a measured field."""
    import pandas as pd

    from micro.specimens.summary import summarise

    rows = [empty(SPECIMENS)]
    for specimen in study.specimens:
        own = fields[fields["specimen"] == specimen.name]
        if len(own):
            scale = specimen_scale_uncertainty(outcomes, specimen)
            rows.append(summarise(particles[particles["specimen"] == specimen.name], own, scale))
    return pd.concat([table for table in rows if len(table)] or rows, ignore_index=True)
