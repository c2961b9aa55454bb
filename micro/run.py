"""One run from study to report: claim the folder, measure, summarise, compare, record."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from micro import batch, results
from micro.answer import answer_study, write_answer
from micro.columns import FIELDS, PARTICLES, SPECIMENS, empty, names
from micro.report.build import write_report
from micro.report.record import run_record
from micro.report.summary import answer_sentences
from micro.study import Study

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class Ending:
    """What a run leaves: how each field ended, the specimens' table, the answer in words, what could not be used."""

    outcomes: tuple[batch.Outcome, ...]
    specimens: pd.DataFrame
    sentences: tuple[str, ...]
    troubles: tuple[str, ...]

    @property
    def failed(self) -> int:
        """Number of fields that could not be measured."""
        return sum(bool(outcome.trouble) for outcome in self.outcomes)


def run_study(
    study: Study, out: Path, workers: int, done: Callable[[batch.Outcome], None], scheduler: str | None = None
) -> Ending:
    """Measure a study into a results folder, or finish what an earlier run began.

    Raises
    ------
    UsageError
        Where the folder is another study's, is in use, or cannot be written.
    """
    start = time.perf_counter()
    with results.claimed(out, study.identity):
        outcomes, tables = measure_tables(study, out, workers, done, scheduler)
        answer = answer_study(study, outcomes, tables)
        write_answer(answer, out)
        write_report(study, outcomes, tables, answer, out)
        date = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        record = run_record(study, outcomes, out, date, time.perf_counter() - start)
        results.write_json(out / results.RECORD, record)
    return Ending(outcomes, tables["specimens"], tuple(answer_sentences(answer)), answer.troubles)


def measure_tables(
    study: Study, out: Path, workers: int, done: Callable[[batch.Outcome], None], scheduler: str | None = None
) -> tuple[tuple[batch.Outcome, ...], dict[str, pd.DataFrame]]:
    """Measure the fields and write particles.csv, fields.csv, profiles.csv and specimens.csv."""
    outcomes = batch.measure_fields(study, out, workers, done, scheduler)
    batch.gather(outcomes, out)
    tables = read_tables(out)
    tables["specimens"] = summarise_specimens(study, outcomes, tables["particles"], tables["fields"])
    results.write_table(out / results.SPECIMENS, tables["specimens"])
    return outcomes, tables


def read_tables(out: Path) -> dict[str, pd.DataFrame]:
    """Tables of all measured fields, as gathered in the results folder."""
    return {
        "particles": results.read_table(out / results.PARTICLES, names(PARTICLES)),
        "fields": results.read_table(out / results.FIELDS, names(FIELDS)),
        "profiles": results.read_table(out / results.PROFILES, batch.PROFILE_COLUMNS),
    }


def summarise_specimens(
    study: Study, outcomes: tuple[batch.Outcome, ...], particles: pd.DataFrame, fields: pd.DataFrame
) -> pd.DataFrame:
    """Tidy table of every specimen that has a measured field."""
    import pandas as pd

    from micro.specimens import summarise

    rows = [empty(SPECIMENS)]
    for specimen in study.specimens:
        own = fields[fields["specimen"] == specimen.name]
        if len(own):
            scale = batch.specimen_scale_uncertainty(outcomes, specimen)
            rows.append(summarise(particles[particles["specimen"] == specimen.name], own, scale))
    return pd.concat([table for table in rows if len(table)] or rows, ignore_index=True)
