"""What fields tell of each other, put into the messages of the finished tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path

from micro import results
from micro.batch.job import Outcome
from micro.columns import FIELDS, names
from micro.study import Study

Name = tuple[str, str]


def tell_across(study: Study, outcomes: Sequence[Outcome], out: Path) -> tuple[Outcome, ...]:
    """Check all measured fields against each other; add what is found to fields.csv and to the outcomes.

    Parameters
    ----------
    out
        Results folder with the gathered tables.
    """
    import pandas as pd

    from micro.checks import check_across
    from micro.checks.across import NEEDED

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
