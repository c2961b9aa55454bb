"""The page of review of a finished run."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro import results
from micro.batch.job import Outcome
from micro.errors import InputError
from micro.issue_kinds import SEVERITIES
from micro.issues import gravity
from micro.owned import claimed
from micro.pictures.outlines import class_colours, display_range, greys_shown
from micro.report.page import troubles_without_folders
from micro.report.record import RunRecord, untouched_run
from micro.review.page import ReviewField, entry_of, field_file, page
from micro.study.model import Field
from micro.tables.columns import FIELDS, PARTICLES, names


@dataclass(frozen=True)
class WrittenPage:
    """Where the page lies, how many fields are on it, and a line for each that is not."""

    path: Path
    fields: int
    missing: tuple[str, ...]


def write_review_page(folder: Path) -> WrittenPage:
    """Write review.html and a file a field into the results folder of a finished run.

    Raises
    ------
    InputError
        Where the folder holds no whole record of a run, or its tables are not as the run left them.
    UsageError
        Where another run is writing in the folder.
    """
    record = untouched_run(folder)
    measured = [(o, f) for o, f in _in_order(record) if not o.trouble]
    own = (results.REVIEW_PAGE, *(_file(o.stem) for o, _ in measured))
    entries: list[dict[str, str]] = []
    unreadable: list[str] = []
    with claimed(folder, None, own, beside=True):
        for made in _fields(record, measured, folder):
            if isinstance(made, InputError):
                unreadable.append(str(InputError(Path(str(made.where)).name, made.problem, made.remedy)))
                continue
            with results.whole_file(folder / _file(made.stem)) as stream:
                stream.write(field_file(made))
            entries.append(entry_of(made))
        with results.whole_file(folder / results.REVIEW_PAGE) as stream:
            told = troubles_without_folders(record.study, record.outcomes, unreadable)
            text = page(record.study.title, entries, [_plain(line) for line in told])
            stream.write(text.encode(errors="backslashreplace"))
    missing = (*(o.trouble for o in record.outcomes if o.trouble), *unreadable)
    return WrittenPage(folder / results.REVIEW_PAGE, len(entries), missing)


def _plain(line: str) -> str:
    """Return a line without what no page can hold."""
    return line.encode(errors="replace").decode()


def _file(stem: str) -> str:
    return f"{results.REVIEW_FOLDER}/{stem}.js"


def _in_order(record: RunRecord) -> list[tuple[Outcome, Field]]:
    """Fields with how they ended, the gravest first, of one severity those with the most doubts."""
    fields = [f for s in record.study.specimens for f in s.fields]
    return sorted(zip(record.outcomes, fields, strict=True), key=lambda one: gravity(one[0].issues), reverse=True)


def _fields(
    record: RunRecord, measured: list[tuple[Outcome, Field]], folder: Path
) -> Iterator[ReviewField | InputError]:
    """Fields as the page shows them, one at a time; a trouble in the place of one that cannot be shown."""
    particles = results.read_table(folder / results.PARTICLES, names(PARTICLES), repetitive=True)
    rows = dict(list(particles.groupby(["specimen", "field"], observed=True, sort=False)))
    fields = results.read_table(folder / results.FIELDS, names(FIELDS))
    of_field = dict(list(fields.groupby(["specimen", "field"], sort=False)))
    for outcome, field in measured:
        key = (outcome.specimen, outcome.field)
        try:
            yield _field(record, outcome, field, folder, rows.get(key, particles.iloc[:0]), of_field[key])
        except InputError as trouble:
            yield trouble


def _field(
    record: RunRecord, outcome: Outcome, field: Field, folder: Path, own: pd.DataFrame, totals: pd.DataFrame
) -> ReviewField:
    """One field from its files.

    Raises
    ------
    InputError
        Where its picture or its files are not as the run left them.
    """
    micrograph = field.read().core
    if micrograph.sha256 != outcome.image_sha256:
        raise InputError(field.image, "is not the picture that was measured", results.RUN_AGAIN)
    labels, left_out = _pictures(folder, outcome)
    if not labels.shape == left_out.shape == micrograph.grey.shape:
        raise InputError(folder / results.LABELS, "holds labels of another size than the picture", "run it again")
    every = totals[totals["carbide_class"] == "all"].iloc[0]
    classes = tuple(totals["carbide_class"][totals["carbide_class"] != "all"])
    colours = class_colours(classes or ("carbide",), record.study.class_names)
    severity = list(SEVERITIES)[gravity(outcome.issues)[0]]
    triples = tuple((int(r), int(g), int(b)) for r, g, b in colours)
    return ReviewField(
        outcome.specimen, outcome.field, outcome.stem, outcome.image_sha256, float(every["um_per_px"]),
        greys_shown(micrograph.grey, *display_range(micrograph.grey)), labels, left_out,
        own.astype({"carbide_class": str, "flags": str}), classes, triples,
        "; ".join(one.text for one in outcome.issues if one.severity != "note"), severity,
        editable=bool(np.isfinite(every["particles"])),
        interval=(float(every["area_fraction_low"]), float(every["area_fraction_high"])),
    )  # fmt: skip


def _pictures(folder: Path, outcome: Outcome) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
    """Labels of a field, and what was left out of it; InputError where a file is not as the run left it."""
    import tifffile

    name, left_out = f"{results.LABELS}/{outcome.stem}.tif", results.left_out_file(outcome.stem)
    for one in (name, left_out):
        if results.hash_or_none(folder / one) != outcome.outputs.get(one, ""):
            raise InputError(folder / one, results.NOT_AS_LEFT, results.RUN_AGAIN)
    gone = cv2.imdecode(np.frombuffer((folder / left_out).read_bytes(), np.uint8), cv2.IMREAD_GRAYSCALE)
    return np.asarray(tifffile.imread(folder / name), np.int32), np.asarray(gone) > 0
