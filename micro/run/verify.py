"""Do the results in a folder still follow from their study and inputs? Hash, make all of it again, compare."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from micro import results
from micro.address import place_of
from micro.batch.job import Outcome, library_versions
from micro.errors import InputError, MicroError
from micro.owned import MANIFEST, listed
from micro.points.kept import copy_tallies
from micro.report.page import drawers
from micro.report.record import RunRecord, read_run, run_record, write_record
from micro.results import hash_or_none
from micro.run.study import check_study, measure_study, write_pages, write_tables
from micro.study.model import Study
from micro.study.reader import read_study

BOOKKEEPING = {results.OWNER, results.LOCK, MANIFEST}
"""Files that say whose the folder is, and hold no result."""
OTHERWISE_EACH_TIME = {"seconds", "reused", "messages"}
"""Keys of records that hold how long it took, and names as they were typed."""


@dataclass(frozen=True)
class Verdict:
    """What was found: each difference in one line, what else to know, and one number for all files.

    `digest` is the SHA-256 of the lines that `sha256sum` prints for the files of the manifest, sorted by name.
    """

    differences: tuple[str, ...]
    remarks: tuple[str, ...]
    digest: str


def verify(folder: Path, workers: int, done: Callable[[Outcome], None]) -> Verdict:
    """Make a finished run again from its study and inputs, report and figures included, and compare every file.

    Raises
    ------
    InputError
        Where the folder holds no readable record of a run.
    """
    record = read_run(folder, as_left=False)
    study, differences = study_again(record)
    if results.record_changed(folder):
        differences.append(f"{folder / results.RECORD}: {results.NOT_AS_LEFT}; {results.RUN_AGAIN}")
    differences += [*changed_outputs(record, folder), *changed_inputs(record), *strangers(folder)]
    with tempfile.TemporaryDirectory() as scratch:
        again = Path(scratch)
        copy_tallies(folder, again)
        try:
            parquet = any(name in record.outputs for name in results.PARQUET.values())
            outcomes = measure_study(study, again, workers, done)
            with drawers(workers) as pool:
                outcomes = check_study(study, outcomes, again)
                tables, answer = write_tables(study, outcomes, again)
                write_pages(study, outcomes, again, tables, answer, parquet, pool)
            write_record(run_record(study, outcomes, again, record.date, record.seconds), again)
        except MicroError:
            raise
        except (ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError) as fault:
            problem = f"cannot be followed ({type(fault).__name__})"
            raise InputError(folder / results.RECORD, problem, results.RUN_AGAIN) from None
        differences += made_otherwise(folder, again)
    remarks = changed_versions(record)
    if any(is_review_page(name) for name in listed(folder)):
        remarks.append(
            f"{folder / results.REVIEW_PAGE}: is no result, and is not made again; its files enter the digest"
        )
    return Verdict(tuple(dict.fromkeys(differences)), tuple(remarks), digest_of_files(folder))


def study_again(record: RunRecord) -> tuple[Study, list[str]]:
    """Read the study file of a run again, and one line where that cannot be; pictures without one are in the record."""
    kept = record.study
    if kept.path is None:
        return kept, []
    try:
        found = read_study(kept.path, {place_of(path).parent for path in record.inputs})
        if found.is_taught:
            from micro.run.taught import checked_study

            found = checked_study(found, go_on=True)
    except MicroError as trouble:
        return kept, [str(trouble)]
    return replace(found, identity=kept.identity), []


def made_otherwise(folder: Path, again: Path) -> Iterator[str]:
    """One line for each file of a run that was not made again with the same content."""
    made = {path.relative_to(again).as_posix() for path in again.rglob("*") if path.is_file()} - BOOKKEEPING
    for name in sorted(made | set(listed(folder))):
        if name not in made:
            if (folder / name).is_file() and not is_review_page(name):
                yield f"{folder / name}: does not follow from study and inputs; run the study again"
        elif not _same(folder / name, again / name):
            yield f"{name}: measured again, it comes out otherwise; {results.RUN_AGAIN}"


def is_review_page(name: str) -> bool:
    """Whether a file is a page to work on, which `micro review` puts beside the results and no run makes again."""
    return name == results.REVIEW_PAGE or name.startswith(f"{results.REVIEW_FOLDER}/")


def _same(one: Path, other: Path) -> bool:
    if one.name == results.RECORD:
        return _plain_record(one) == _plain_record(other)
    return hash_or_none(one) == hash_or_none(other)


def _plain_record(path: Path) -> Any:
    """Content of run.json, or of the record of a field, without what is otherwise each time."""
    try:
        content = json.loads(results.bytes_of(path, results.MOST_RECORD_BYTES))
    except (OSError, ValueError, RecursionError):
        return None
    if isinstance(content, dict):
        # The versions have their own lines; inputs and outputs are compared by their hashes.
        content = {key: value for key, value in content.items() if key not in ("versions", "platform", "outputs")}
    return _without(content)


def _without(content: Any) -> Any:
    if isinstance(content, dict):
        kept = {key: _without(value) for key, value in content.items() if key not in OTHERWISE_EACH_TIME}
        # A trouble starts with the name of the picture as it was typed.
        return kept | ({"trouble": str(kept["trouble"]).partition(": ")[2]} if "trouble" in kept else {})
    return [_without(value) for value in content] if isinstance(content, list) else content


def strangers(folder: Path) -> Iterator[str]:
    """One line for each file that no run listed."""
    own = BOOKKEEPING | set(listed(folder))
    for path in sorted(folder.rglob("*")):
        if not path.is_dir() and path.relative_to(folder).as_posix() not in own:
            yield f"{path}: is not of this run; move it out of the results folder"


def digest_of_files(folder: Path) -> str:
    """SHA-256 over the hashes and names of all files of the manifest; whoever keeps it elsewhere sees any change."""
    lines = (f"{hash_or_none(folder / name) or 'missing'}  {name}\n" for name in sorted(listed(folder)))
    return hashlib.sha256("".join(lines).encode(errors="surrogateescape")).hexdigest()


def changed_outputs(record: RunRecord, folder: Path) -> list[str]:
    """Return one line for each table, label or outline picture that is not as the run left it."""
    return [
        f"{folder / name}: {results.NOT_AS_LEFT}; {results.RUN_AGAIN}"
        for name, digest in record.every_output.items()
        if hash_or_none(folder / name) != digest
    ]


def changed_inputs(record: RunRecord) -> list[str]:
    """Return one line for each picture or file that is not as the run read it."""
    return [
        f"{path}: is not as the run read it; bring it back, or run the study again"
        for path, digest in record.inputs.items()
        if hash_or_none(place_of(path)) != digest
    ]


def changed_versions(record: RunRecord) -> list[str]:
    """Return one line for each library, and the system, that is another than in the record."""
    then = record.versions
    return [
        f"{name}: {then.get(name, 'unknown')} then, {number} now"
        for name, number in library_versions().items()
        if then.get(name) != number
    ]
