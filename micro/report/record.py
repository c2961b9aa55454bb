"""run.json: what was measured, with which program and parameters, from which bytes."""

from __future__ import annotations

import dataclasses
import platform
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from micro import results
from micro.batch.job import Outcome, library_versions
from micro.errors import InputError, MicroError
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field, Study, is_stem

TABLES = (
    results.PARTICLES, results.FIELDS, results.PROFILES, results.SPECIMENS, results.COMPARISON, results.CHEMISTRY,
    results.MATRIX, results.SIZES, results.COUPONS, results.COUPONS_USED, results.RATIOS, results.GROUP_RATIOS,
    results.STRUCTURE, results.POINTS, results.COUNTERS, results.DETECTION, results.MOSAICS,
    results.REPORT, *results.PARQUET.values(),
)  # fmt: skip


@dataclass(frozen=True)
class RunRecord:
    """Content of run.json, key by key.

    Parameters
    ----------
    date, seconds
        When the run ended, ISO 8601, and how long it took.
    versions, platform
        Of the program and the libraries that can change a number; of the system.
    study, outcomes
        What was asked, every path absolute, and how each field ended, in the same order.
    pinned
        Parameters that the user gave, by the name of the field's files; all others are the program's own.
    inputs, outputs
        SHA-256 of every file that was read, by path, and of every table and page written, by name.
    """

    date: str
    seconds: float
    versions: dict[str, str]
    platform: dict[str, str]
    study: Study
    outcomes: tuple[Outcome, ...]
    pinned: dict[str, dict[str, Any]]
    inputs: dict[str, str | None]
    outputs: dict[str, str | None]
    program: str = "micro"

    @property
    def every_output(self) -> dict[str, str | None]:
        """SHA-256 of every table and page, and of every file of a field, by name."""
        every = dict(self.outputs)
        for outcome in self.outcomes:
            every |= outcome.outputs
        return every


def run_record(study: Study, outcomes: tuple[Outcome, ...], out: Path, date: str, seconds: float) -> RunRecord:
    """Record of a run that ended at `date` (ISO 8601); hashes of its tables are taken from the folder `out`."""
    files = [study.path, study.coupons, *(s.calibration for s in study.specimens)]
    files += [path for s in study.specimens for path in (*s.taught_by, *s.review)]
    pictures = {(s.name, f.name): str(f.image.resolve()) for s in study.specimens for f in s.fields}
    return RunRecord(
        date=date,
        seconds=round(seconds, 3),
        versions=library_versions(),
        platform={"system": platform.system(), "machine": platform.machine()},
        study=study,
        outcomes=outcomes,
        pinned={f.stem: pinned(f) for s in study.specimens for f in s.fields},
        inputs={str(file.resolve()): results.hash_or_none(file) for file in files if file is not None}
        | {pictures[o.specimen, o.field]: o.image_sha256 for o in outcomes if not o.trouble},
        outputs=output_hashes(out),
    )


def output_hashes(out: Path) -> dict[str, str | None]:
    """SHA-256 of the tables of a whole study, and of its report, as they stand in the results folder."""
    return {name: results.hash_or_none(out / name) for name in TABLES if (out / name).exists()}


def write_record(record: RunRecord, out: Path) -> None:
    """Write run.json, whole or not at all; issues with their flag, severity and text, so that no reader needs us."""
    content = dataclasses.asdict(record, dict_factory=_plain)
    for outcome, stored in zip(record.outcomes, content["outcomes"], strict=True):
        stored["issues"] = [one.to_json() | {"text": one.text} for one in outcome.issues]
    results.write_json(out / results.RECORD, content)


def _plain(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    return {name: _absolute(value) for name, value in pairs}


def _absolute(value: Any) -> Any:
    if isinstance(value, tuple):
        return tuple(_absolute(one) for one in value)
    return str(value.resolve()) if isinstance(value, Path) else value


def read_run(folder: Path, as_left: bool = True) -> RunRecord:
    """Read run.json of a results folder, with the types of `RunRecord` throughout.

    Parameters
    ----------
    as_left
        Refuse one that was changed since its run ended.

    Raises
    ------
    InputError
        Where it is missing, damaged, changed, of an earlier version, or names files outside the folder.
    """
    # Takes a tenth of a second to load; a run that only writes its record does without.
    from pydantic import TypeAdapter

    content = results.read_record(folder, as_left)
    try:
        record = TypeAdapter(RunRecord).validate_python(content)
        _check_whole(record)
    except (ValueError, MicroError):
        raise InputError(folder / results.RECORD, "is not a whole record of a run", results.RUN_AGAIN) from None
    return record


def untouched_run(folder: Path) -> RunRecord:
    """Read run.json of a results folder whose tables and files of fields are as the run left them.

    Raises
    ------
    InputError
        As `read_run`, and with the first file that was changed.
    """
    record = read_run(folder)
    every = record.every_output
    results.check_as_left(folder, every, (name for name in every if name != results.REPORT))
    return record


def _check_whole(record: RunRecord) -> None:
    """Raise ValueError unless each field has its outcome, names of files are only names, and settings make sense."""
    from micro.study.keys import PICTURE

    fields = [(s.name, f.name, f.stem) for s in record.study.specimens for f in s.fields]
    if fields != [(o.specimen, o.field, o.stem) for o in record.outcomes]:
        raise ValueError("fields and outcomes differ")
    for field in (f for s in record.study.specimens for f in s.fields):
        if not is_stem(field.stem):
            raise ValueError(f"{field.stem!r} is no name of a file")
        given = {name: value for name, value in _parameters(field).items() if value is not None}
        PICTURE.validate_python({name: value for name, value in given.items() if not name.startswith("class_")})


def pinned(field: Field) -> dict[str, Any]:
    """Parameters of a field that the user pinned; those that are the program's default are left out."""
    defaults = _parameters(Field(field.name, field.image, field.shown, field.stem, SegmentationSettings()))
    return {name: value for name, value in _parameters(field).items() if value != defaults[name]}


def _parameters(field: Field) -> dict[str, Any]:
    return {**vars(field.settings), **{name: value for name, value in field.reading.items() if name != "sub_field"}}
