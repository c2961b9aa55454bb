"""One run from study to report: claim the folder, measure, summarise, compare, record."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from micro import results
from micro.address import on_disk
from micro.batch.fields import (
    check_across_fields,
    gather,
    measure_fields,
    pictures_of,
    write_failures,
)
from micro.batch.job import PROFILE_COLUMNS, Outcome, is_band_profile
from micro.owned import Origin, claimed, listed
from micro.points.kept import kept_names, store_tallies, stored_tallies
from micro.processes import give_back_memory
from micro.report.record import TABLES, output_hashes, run_record, untouched_run, write_record
from micro.study.model import Study
from micro.tables.columns import FIELDS, SPECIMENS, empty, names

# What is not needed before the fields are at work is loaded after them: each picture waits for what stands here.
if TYPE_CHECKING:
    from concurrent.futures import Executor

    import pandas as pd

    from micro.analysis import Analysis, PointCount
    from micro.points.agreement import Agreement


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
        return sum(outcome.failed for outcome in self.outcomes)


def run_study(
    study: Study, out: Path, workers: int, done: Callable[[Outcome], None], scheduler: str | None = None,
    parquet: bool = False, answered: Callable[[RunSummary], None] | None = None,
) -> RunSummary:  # fmt: skip
    """Measure a study into a results folder, or finish what an earlier run began.

    Parameters
    ----------
    done
        Told of every field as it ends.
    parquet
        Write the tables in that format too.
    answered
        Told what the run found as soon as it stands in the tables, before figures are drawn.

    Raises
    ------
    UsageError
        Where the folder is another study's, is in use, or cannot be written.
    """
    start = time.perf_counter()
    remarks = fewer_fields(study, out)
    with claimed(out, origin_of(study), written_names(study, out)):
        outcomes = measure_study(study, out, workers, done, scheduler)
        from micro.report.page import drawers

        with drawers(workers) as pool:  # they load what draws while this process checks and sums up
            outcomes = check_study(study, outcomes, out)
            tables, answer = write_tables(study, outcomes, out)
            sentences = _sentences(study, outcomes, out, tables, answer)
            ending = RunSummary(outcomes, tables["specimens"], sentences, answer.troubles, remarks)
            if answered is not None:
                answered(ending)
            write_pages(study, outcomes, out, tables, answer, parquet, pool)
        date = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        write_record(run_record(study, outcomes, out, date, time.perf_counter() - start), out)
    return ending


def fewer_fields(study: Study, out: Path) -> tuple[str, ...]:
    """Say which fields the last run in the folder measured that the study no longer names: their files will go."""
    now = {field.stem for specimen in study.specimens for field in specimen.fields}
    last = (name.removeprefix(f"{results.PARTS}/") for name in listed(out) if name.startswith(f"{results.PARTS}/"))
    stems = {name.removesuffix(f"/{results.RECORD}") for name in last if name.endswith(f"/{results.RECORD}")}
    gone = sorted(stems - now)
    if not gone:
        return ()
    from micro.report.wording import listed as shortened

    number = f"{len(gone)} field{'s' * (len(gone) > 1)}"
    return (f"{out}: {number} of the last run not in this one: {shortened(gone, 3)}",)


def _sentences(
    study: Study, outcomes: tuple[Outcome, ...], out: Path, tables: dict[str, pd.DataFrame], answer: Analysis
) -> tuple[str, ...]:
    """Answers in words, what the pictures can show, and what a review changed."""
    from micro.report.summary import answer_sentences
    from micro.report.wording import mosaic_sentences
    from micro.specimens.detected import read_detected

    detected = [f"{one.specimen}: {one.sentence}" for one in read_detected(out).values()]
    by_hand: list[str] = []
    if any(outcome.reviewed for outcome in outcomes):
        from micro.report.people_sections import review_sentences

        by_hand = review_sentences(study, outcomes, tables["specimens"], tables["fields"])
    return (*answer_sentences(study, tables["specimens"], answer), *mosaic_sentences(out), *detected, *by_hand)


def origin_of(study: Study) -> Origin:
    """Return what tells the results of a study from those of another: its file, or the pictures without one."""
    fields = [field for specimen in study.specimens for field in specimen.fields]
    pictures = tuple(dict.fromkeys(on_disk(field.image for field in fields)))
    others = (
        study.path,
        study.coupons,
        *(s.calibration for s in study.specimens),
        *(r for s in study.specimens for r in s.review),
    )
    inputs = (*pictures, *(path for path in others if path is not None))
    return Origin("pictures", pictures, inputs) if study.path is None else Origin("study", (study.path,), inputs)


def written_names(study: Study, out: Path) -> tuple[str, ...]:
    """Names of all files that a run writes or keeps, but for its figures, which are listed as they are drawn."""
    stems = [field.stem for specimen in study.specimens for field in specimen.fields]
    kept = kept_names(len(stored_tallies(out)))
    if study.is_taught:
        from micro.run.taught import taught_names

        kept = (*kept, *taught_names(study))
    own = (results.DETECTION_RECORD, results.RECORD, results.FAILURES)
    return (*TABLES, *own, *kept, *(n for stem in stems for n in results.field_files(stem)))


def review_names(out: Path) -> tuple[str, ...]:
    """Names of the page of review and its files, where there is one: a count changes no outline that they show."""
    page = (results.REVIEW_PAGE, f"{results.REVIEW_FOLDER}/")
    return tuple(name for name in listed(out) if name.startswith(page))


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
    from micro.points.agreement import compare_count
    from micro.points.tally import read_tallies

    record = untouched_run(folder)
    paths = tuple(tallies)
    agreement = compare_count(read_tallies(paths), folder, pictures_of(record.outcomes), wanted_accuracy_pct)
    kept = (*kept_names(len(paths)), *review_names(folder))
    with claimed(folder, None, (*written_names(record.study, folder), *kept), paths):
        store_tallies(paths, folder, wanted_accuracy_pct)
        write_pages(record.study, record.outcomes, folder, *write_tables(record.study, record.outcomes, folder))
        write_record(replace(record, outputs=output_hashes(folder)), folder)
    return agreement


def write_tables(study: Study, outcomes: tuple[Outcome, ...], out: Path) -> tuple[dict[str, pd.DataFrame], Analysis]:
    """Write the tables that the answer rests on, from the measured fields and the kept tallies; return both."""
    from micro.analysis import analyse_study, write_analysis

    tables, count = summary_tables(study, outcomes, out)
    answer = analyse_study(study, outcomes, tables, count)
    give_back_memory()
    write_analysis(answer, out)
    return tables, answer


def write_pages(
    study: Study, outcomes: tuple[Outcome, ...], out: Path, tables: dict[str, pd.DataFrame], answer: Analysis,
    parquet: bool = False, pool: Executor | None = None,
) -> None:  # fmt: skip
    """Write figures (in processes of `pool`), report and sizes.csv; tables in Parquet where wanted, or once were."""
    from micro.analysis import write_sizes
    from micro.report.build import write_report

    write_report(study, outcomes, tables, answer, out, pool)
    write_sizes(answer, out)
    # Files that an earlier run wrote would otherwise tell of other numbers than the tables beside them.
    if parquet or any((out / name).exists() for name in results.PARQUET.values()):
        results.write_parquet(out, {name: table for name, table in tables.items() if name != "particles"})


def measure_study(
    study: Study, out: Path, workers: int, done: Callable[[Outcome], None], scheduler: str | None = None
) -> tuple[Outcome, ...]:
    """Measure the fields, write particles.csv, fields.csv and profiles.csv, what the fields detect, and failures."""
    if study.is_taught:
        from micro.run.taught import measure_taught

        outcomes = measure_taught(study, out, workers, done, scheduler)
    else:
        outcomes = measure_fields(study, out, workers, done, scheduler)
    from micro.points.lessons import corrected_fields, read_lessons

    gather(outcomes, out)
    lessons = read_lessons(out)
    if lessons:
        corrected_fields(out, lessons)
    if any(specimen.detection for specimen in study.specimens):
        from micro.run.detected import detect_specimens

        detect_specimens(study, outcomes, out, workers)
    else:
        for name in (results.DETECTION, results.DETECTION_RECORD):
            (out / name).unlink(missing_ok=True)
    write_failures(outcomes, out)
    return outcomes


def check_study(study: Study, outcomes: tuple[Outcome, ...], out: Path) -> tuple[Outcome, ...]:
    """Check measured fields against each other, and mosaics for bands; add what is found to the tables."""
    from micro.run.mosaics import band_mosaics

    band_mosaics(study, out)
    return check_across_fields(study, outcomes, out)


def summary_tables(
    study: Study, outcomes: tuple[Outcome, ...], out: Path
) -> tuple[dict[str, pd.DataFrame], PointCount]:
    """Summarise the measured fields, with the count by people, into specimens.csv."""
    import pandas as pd

    from micro.analysis import measured_specimens, read_count
    from micro.points.lessons import read_lessons, with_lessons
    from micro.specimens.detected import read_detected, with_detected
    from micro.specimens.summary import summarise

    tables, count = read_tables(out), read_count(out, outcomes)
    rows = []
    for one in measured_specimens(study, outcomes, tables):
        rows.append(summarise(one.particles, one.fields, one.scale_relative_uncertainty))
        give_back_memory()
    summarised = pd.concat([table for table in rows if len(table)] or [empty(SPECIMENS)], ignore_index=True)
    summarised = with_lessons(summarised, tables["fields"], read_lessons(out))
    summarised = with_detected(summarised, read_detected(out))
    if count.agreement is not None:
        from micro.points.agreement import with_count

        summarised = with_count(summarised, count.agreement)
    tables["specimens"] = summarised
    results.write_table(out / results.SPECIMENS, tables["specimens"])
    return tables, count


def read_tables(out: Path) -> dict[str, pd.DataFrame]:
    """Tables of all measured fields, as gathered in the results folder; of the carbides what the summary needs."""
    from micro.specimens.quantities import READ_COLUMNS, SUMMED_COLUMNS

    return {
        "particles": results.read_table(out / results.PARTICLES, READ_COLUMNS, repetitive=True, narrow=SUMMED_COLUMNS),
        "fields": results.read_table(out / results.FIELDS, names(FIELDS)),
        # Those across the bands, nine tenths of all, are read of the few fields whose figure shows them.
        "profiles": results.read_table(
            out / results.PROFILES,
            PROFILE_COLUMNS,
            repetitive=True,
            keep=lambda rows: ~is_band_profile(rows["curve"]),
            narrow=("x", "y"),
        ),
    }
