"""Do the results in a folder still follow from their inputs? Hash, measure again, compare."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from micro import results
from micro.batch.job import Outcome, library_versions
from micro.points.kept import copy_tallies
from micro.report.record import RunRecord, read_run
from micro.run.study import measure_study, summary_tables


@dataclass(frozen=True)
class Verdict:
    """What was found: each difference in one line, and what else to know."""

    differences: tuple[str, ...]
    remarks: tuple[str, ...]


def verify(folder: Path, workers: int, done: Callable[[Outcome], None]) -> Verdict:
    """Measure a finished run again from its record, and compare.

    Parameters
    ----------
    folder
        Results folder with run.json.
    workers, done
        As for `micro.run.study.run_study`.

    Raises
    ------
    InputError
        Where the folder holds no readable record of a run.
    """
    record = read_run(folder, as_left=False)
    differences = [*changed_outputs(record, folder), *changed_inputs(record)]
    with tempfile.TemporaryDirectory() as scratch:
        copy_tallies(folder, Path(scratch))
        outcomes = measure_study(record.study, Path(scratch), workers, done)
        summary_tables(record.study, outcomes, Path(scratch))
        for name in (results.PARTICLES, results.FIELDS, results.PROFILES, results.SPECIMENS):
            if results.hash_of_file(Path(scratch) / name) != record.outputs.get(name):
                differences.append(f"{name}: measured again, it differs from the record; compare the two files")
    return Verdict(tuple(differences), tuple(changed_versions(record)))


def changed_outputs(record: RunRecord, folder: Path) -> list[str]:
    """Return one line for each table, label or outline picture that is not as the run left it."""
    recorded = dict(record.outputs)
    for outcome in record.outcomes:
        recorded |= outcome.outputs
    return [
        f"{folder / name}: is not as the run left it; run the study again"
        for name, digest in recorded.items()
        if _hash(folder / name) != digest
    ]


def changed_inputs(record: RunRecord) -> list[str]:
    """Return one line for each picture or file that is not as the run read it."""
    return [
        f"{path}: is not as the run read it; bring it back, or run the study again"
        for path, digest in record.inputs.items()
        if _hash(Path(path)) != digest
    ]


def changed_versions(record: RunRecord) -> list[str]:
    """Return one line for each library, and the system, that is another than in the record."""
    then = record.versions
    return [
        f"{name}: {then.get(name, 'unknown')} then, {number} now"
        for name, number in library_versions().items()
        if then.get(name) != number
    ]


def _hash(path: Path) -> str | None:
    try:
        return results.hash_of_file(path)
    except OSError:
        return None
